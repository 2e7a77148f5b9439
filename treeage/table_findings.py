"""Collects the faults (which stop the run) and the notes (which go to the report) of a set of field tables.

Layer 1, part of the family of `tables`. Own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, InputError

MANY_ROWS = 1000  # choice: faults of one kind listed row by row
MANY_NOTES = 5  # choice: notes of one kind listed row by row


@dataclass(frozen=True)
class Table:
    """One field table with typed columns and what is needed to point at its rows.

    Parameters
    ----------
    name : str
        Table name of the schema.
    file : str
        File name, or the table name for a frame.
    frame : pandas.DataFrame
        All columns of the schema, then the unknown ones.
    lines : numpy.ndarray of int, shape (n,)
        Line in the file of each row (position from 1 for a frame or a Parquet file).
    given : frozenset of str
        Columns the file holds with at least one value.
    """

    name: str
    file: str
    frame: pd.DataFrame
    lines: NDArray[np.int64]
    given: frozenset[str]

    def numbers(self, column: str) -> NDArray[np.float64]:
        """Take one column as numbers.

        Parameters
        ----------
        column : str
            Column name.

        Returns
        -------
        numpy.ndarray of float, shape (n,)
            The values, NaN where missing.
        """
        return self.frame[column].to_numpy(dtype=np.float64)

    def texts(self, column: str) -> list[str]:
        """Take one column as text.

        Parameters
        ----------
        column : str
            Column name.

        Returns
        -------
        list of str, length n
            The values, empty where missing.
        """
        values: list[str] = self.frame[column].tolist()
        return values

    def item(self, row: int) -> str:
        """Name the tree or core of a row.

        Parameters
        ----------
        row : int
            Position from 0.

        Returns
        -------
        str
            For example `tree A17, core B`, empty when the table has no trees.
        """
        parts = []
        for column in ("tree", "core"):
            if column in self.frame.columns and self.frame[column].iat[row]:
                parts.append(f"{column} {self.frame[column].iat[row]}")
        return ", ".join(parts)


@dataclass
class Findings:
    """Faults and notes gathered while tables are read and checked.

    Parameters
    ----------
    faults, notes : list of Fault
        Filled by the checks.
    """

    faults: list[Fault] = field(default_factory=list)
    notes: list[Fault] = field(default_factory=list)

    def at_rows(
        self,
        table: Table,
        rows: Sequence[int] | NDArray[np.int64],
        column: str,
        texts: Sequence[tuple[str, str, str]],
        *,
        note: bool = False,
    ) -> None:
        """Add one finding a row.

        Parameters
        ----------
        table : Table
            The table the rows are of.
        rows : sequence of int
            Positions from 0.
        column : str
            Column at fault.
        texts : sequence of (got, need, do)
            One triple a row.
        note : bool
            Whether they are notes; faults are the default because a check should say when it lets pass.
        """
        limit = MANY_NOTES if note else MANY_ROWS
        kept = self.notes if note else self.faults
        for row, (got, need, do) in list(zip(rows, texts, strict=True))[:limit]:
            kept.append(Fault(got, need, do, table.file, int(table.lines[row]), column, table.item(int(row))))
        if len(rows) > limit:
            got, need, do = texts[limit]
            more = f"{got} and {len(rows) - limit - 1} more rows of this kind" if len(rows) - limit > 1 else got
            row = int(rows[limit])
            kept.append(Fault(more, need, do, table.file, int(table.lines[row]), column, table.item(row)))

    def fault(self, file: str, got: str, need: str, do: str, *, row: int = 0, column: str = "", item: str = "") -> None:
        """Add a fault that is not tied to one row of a typed table.

        Parameters
        ----------
        file : str
            File name.
        got, need, do : str
            The three sentences.
        row : int
            Line in the file, 0 for the whole file.
        column, item : str
            Column, and tree or core.
        """
        self.faults.append(Fault(got, need, do, file, row, column, item))

    def note(self, file: str, got: str, need: str, do: str, *, row: int = 0, column: str = "", item: str = "") -> None:
        """Add a note that is not tied to one row of a typed table.

        Parameters
        ----------
        file : str
            File name.
        got, need, do : str
            The three sentences.
        row : int
            Line in the file, 0 for the whole file.
        column, item : str
            Column, and tree or core.
        """
        self.notes.append(Fault(got, need, do, file, row, column, item))

    def stop(self) -> None:
        """Raise when there is any fault.

        Raises
        ------
        InputError
            With all faults gathered so far.
        """
        if self.faults:
            raise InputError(self.faults)
