"""Plain words for places that cannot be read or written.

Layer 0, part of the family of `errors`. Numbers of errors as in POSIX.
"""

from __future__ import annotations

import errno

from treeage.errors import Fault

_PLACES = (
    ((errno.EACCES, errno.EPERM), "no permission there"),
    ((errno.EROFS,), "a disk that is read-only"),
    ((errno.ENOSPC,), "a full disk"),
    ((errno.ENOTDIR, errno.EEXIST), "a file where a folder is needed"),
    ((errno.EISDIR,), "a folder where a file is needed"),
    ((errno.ENOENT,), "a place that does not exist"),
    ((errno.ENAMETOOLONG,), "a name that is too long"),
)


def place_fault(error: OSError, where: str, place: str = "") -> Fault:
    """Say in plain words why a place could not be read or written.

    Parameters
    ----------
    error : OSError
        What the system said.
    where : str
        The command, or the path.
    place : str, optional
        The argument that names the place, with its value.

    Returns
    -------
    Fault
        Without the wording of the system, but for errors that have no words here.

    Examples
    --------
    >>> place_fault(PermissionError(13, "Permission denied"), "treeage estimate", "--out /x").line()
    'treeage estimate, --out /x: got no permission there, need a place that can be read or written. Choose another...'
    """
    found = next((words for numbers, words in _PLACES if error.errno in numbers), "")
    got = found or f"the words '{error.strerror or error}' of the system"
    do = "Choose another place, or close the program that holds the file."
    return Fault(got, "a place that can be read or written", do, where, 0, place)
