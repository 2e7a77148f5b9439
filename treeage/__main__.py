"""Lets `python -m treeage` do what the command `treeage` does."""

from treeage.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
