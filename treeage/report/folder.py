"""The folder of the answers: looked at before the work, replaced whole at its end.

New answers are made complete beside the old ones and take their place in one step of the system where it has such a
step. Where it has none, or the folder holds more than answers, the files move in one by one, run.json last, out of a
folder from which the next run finishes what a killed one began; where the system refuses one of them, the old ones go
back in the same manner. Own derivation.
"""

from __future__ import annotations

import ctypes
import filecmp
import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from treeage.errors import Fault, InputError, require_path

RECORD = "run.json"
FIXED = ("ages.csv", "draws.parquet", "report.html", "methods.md", "references.bib", RECORD)
READY = ".treeage-ready"  # complete new answers on their way in, with the old ones under OLD until all have arrived
UNDO = ".treeage-undo"  # the same once the system has refused a new one: the old ones are on their way back
OLD = ".old"
PART = ".part"
EXCHANGE = 2  # flag of the Linux call renameat2 (renameat(2))
HERE = -100  # its number for names that are not relative to an open folder


def check_place(folder: str | Path, where: str, name: str) -> Path:
    """Refuse a folder that cannot take answers; nothing is made, but what a killed run began there is finished."""
    target = Path(folder) if folder == "" else require_path(where, name, folder)

    def refuse(got: str, need: str = "a folder", do: str = "Name another place.") -> InputError:
        return InputError(Fault(got, need, do, where, 0, name))

    if str(folder).strip() == "":
        raise refuse("an empty name", "the name of a folder", "Write for example --out answers.")
    if target.resolve() == Path(target.resolve().anchor):
        raise refuse(f"{target}, the root of the disk", "a folder of its own")
    if os.path.lexists(target) and not target.is_dir():
        raise refuse(f"the file {target}")
    stands = target
    while not os.path.lexists(stands):
        stands = stands.parent
    if not stands.is_dir():
        raise refuse(f"{stands}, which is a file", "a folder, or a place for a new one")
    if not os.access(stands, os.W_OK | os.X_OK):
        raise refuse(f"no permission to write into {stands}", "a place that can be written")
    _check_names(target, FIXED, refuse_with=(where, name))
    finish(target)
    return target


def _check_names(target: Path, names: Iterable[str], refuse_with: tuple[str, str]) -> None:
    """Refuse folders where files are to go, files where folders are, and folders that cannot be written."""
    faults = []
    where, argument = refuse_with
    folders = {Path(target, name).parent for name in names}
    for path in (Path(target, name) for name in names):
        if path.is_dir():
            do = "Move it away, or name another place."
            faults.append(Fault(f"the folder {path}", "a file, or nothing, of that name", do, where, 0, argument))
    for path in sorted(folders | {target / "figures"}):
        if os.path.lexists(path) and not path.is_dir():
            do = "Move it away, or name another place."
            faults.append(Fault(f"the file {path}", "a folder, or nothing, of that name", do, where, 0, argument))
        elif path.is_dir() and not os.access(path, os.W_OK | os.X_OK):
            do = "Change its permissions, or name another place."
            faults.append(Fault(f"no permission to write into {path}", "a folder that can be written", do, where, 0,
                                argument))  # fmt: skip
    if faults:
        raise InputError(faults)


# ---------------------------------------------------------------------- what is there


def recorded_files(folder: str | Path) -> list[Path]:
    """Files that the last run wrote into a folder and nobody has changed since.

    Parameters
    ----------
    folder : str or pathlib.Path
        Folder of answers, which may be missing.

    Returns
    -------
    list of pathlib.Path
        Files that run.json lists and whose contents still have the checksum it states; none without a run.json.

    Examples
    --------
    >>> recorded_files("no/such/folder")
    []
    """
    target = Path(folder)
    try:
        record = json.loads((target / RECORD).read_text(encoding="utf-8"))
        listed = dict(record["outputs_sha256"]) if "treeage" in record else {}
    except (OSError, ValueError, TypeError, KeyError, RecursionError):  # none, or one of something else
        return []
    return [target / name for name, checksum in listed.items() if _is_ours(target, name, checksum)]


def _is_ours(target: Path, name: str, checksum: object) -> bool:
    path = target / name
    try:
        inside = target.resolve() in path.resolve().parents
        return inside and not path.is_symlink() and sha256(path.read_bytes()) == checksum
    except (OSError, ValueError):
        return False


def sha256(content: bytes) -> str:
    """Checksum of a file."""
    return hashlib.sha256(content).hexdigest()


# ---------------------------------------------------------------------- the exchange


def replace_answers(target: Path, contents: Mapping[str, bytes], where: str = "write_outputs") -> None:
    """Put complete answers into a folder, run.json among them: it then holds all of them, or what it held before."""
    target = target.resolve()
    target.parent.mkdir(parents=True, exist_ok=True)
    finish(target)
    _check_names(target, contents, refuse_with=(where, "folder"))
    old = recorded_files(target)
    if not target.exists() or _only(target, [*old, target / RECORD]):
        part = target.parent / f".{target.name}.{os.getpid()}{PART}"
        try:
            with suppress(PermissionError):
                _fill(part, contents)
                if not target.exists():
                    os.replace(part, target)
                    return
                shutil.copymode(target, part)
                if _exchange(part, target):
                    return
        finally:
            shutil.rmtree(part, ignore_errors=True)
    _move_in(target, contents, old)


def _fill(part: Path, contents: Mapping[str, bytes]) -> None:
    _clear_abandoned(part.parent)
    for name, content in contents.items():
        (part / name).parent.mkdir(parents=True, exist_ok=True)
        (part / name).write_bytes(content)


def _only(target: Path, answers: list[Path]) -> bool:
    """Whether a folder holds nothing but answers of an earlier run, and nobody stands in it."""
    known = set(answers) | {parent for path in answers for parent in path.parents}
    here = Path.cwd()
    alone = target != here and target not in here.parents and not os.path.ismount(target)
    return alone and all(path in known and not path.is_symlink() for path in target.rglob("*"))


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two folders in one step, where system and disk offer it."""
    call = getattr(ctypes.CDLL(None), "renameat2", None) if sys.platform.startswith("linux") else None
    return call is not None and call(HERE, os.fsencode(one), HERE, os.fsencode(other), EXCHANGE) == 0


def _clear_abandoned(place: Path) -> None:
    """Remove the unfinished folders of runs that were killed."""
    if os.name != "posix":
        return  # other systems have no harmless way to ask whether a process lives
    for part in place.glob(f".*{PART}"):
        number = part.name.removesuffix(PART).rpartition(".")[2]
        ours = part.is_dir() and not part.is_symlink() and ((part / FIXED[0]).is_file() or not any(part.iterdir()))
        if number.isdigit() and ours:
            try:
                os.kill(int(number), 0)
            except (ProcessLookupError, OverflowError):
                shutil.rmtree(part, ignore_errors=True)
            except OSError:  # it lives, and is somebody else's
                continue


def _move_in(target: Path, contents: Mapping[str, bytes], old: list[Path]) -> None:
    """Replace the answers of a folder that stays; what was there comes back if the system refuses one of them."""
    part = target / f".treeage.{os.getpid()}{PART}"
    try:
        _fill(part, contents)
        for path in {*old, *(target / name for name in contents)}:
            if path.is_file():
                _keep(path, part / OLD / path.relative_to(target))
        os.replace(part, target / READY)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    try:
        finish(target)
    except BaseException:
        with suppress(OSError):  # what cannot be put back now is put back by the next run
            if (target / READY / RECORD).exists():  # else all of them have arrived
                os.replace(target / READY, target / UNDO)  # the one instant at which it is decided
                finish(target)
        raise


def _keep(path: Path, copy: Path) -> None:
    copy.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(path, copy)
    except OSError:  # a disk without links
        shutil.copy2(path, copy)


def finish(target: Path) -> None:
    """End what a run began in a folder and was killed at: old answers go back first, else the new ones move in.

    Each step can be done again after a kill; a record leaves before the first file moves and comes with the last.
    """
    if (target / UNDO).is_dir():
        _put_back(target, target / UNDO)
    if (target / READY).is_dir():
        _arrive(target, target / READY)


def _listed(folder: Path) -> set[str]:
    """Names of all answers of the run whose record a folder holds."""
    return {RECORD, *json.loads((folder / RECORD).read_text(encoding="utf-8"))["outputs_sha256"]}


def _arrive(target: Path, ready: Path) -> None:
    """Move in what stands ready."""
    if (ready / RECORD).is_file():
        listed = _listed(ready)
        (target / RECORD).unlink(missing_ok=True)
        for name in _record_last(listed):
            if name == RECORD:
                _remove_stale(target, ready / OLD, listed)
            if (ready / name).is_file():  # else it has arrived
                (target / name).parent.mkdir(parents=True, exist_ok=True)
                os.replace(ready / name, target / name)
    shutil.rmtree(ready, ignore_errors=True)


def _put_back(target: Path, undo: Path) -> None:
    """Undo a replacement that the system stopped half way."""
    kept = undo / OLD
    if (undo / RECORD).is_file():  # new answers that replaced none; all of the old ones are still under `kept`
        for name in _listed(undo):
            if not (kept / name).is_file():
                (target / name).unlink(missing_ok=True)
        (undo / RECORD).unlink()
    for name in _record_last(path.relative_to(kept).as_posix() for path in kept.rglob("*") if path.is_file()):
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(kept / name, target / name)
    shutil.rmtree(undo, ignore_errors=True)


def _record_last(names: Iterable[str]) -> list[str]:
    return sorted(names, key=lambda name: (name == RECORD, name))


def _remove_stale(target: Path, kept: Path, listed: set[str]) -> None:
    """Remove answers of the last run that this one does not have."""
    for copy in (path for path in kept.rglob("*") if path.is_file()):
        path = target / copy.relative_to(kept)
        with suppress(OSError):  # a file that is open elsewhere stays; the answers are complete without this
            if path.relative_to(target).as_posix() not in listed and filecmp.cmp(copy, path, shallow=False):
                path.unlink()
