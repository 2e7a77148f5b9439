"""Lets `python -m treeage` do what the command `treeage` does.

Layer 8, part of the family of `cli`.
"""

from treeage.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
