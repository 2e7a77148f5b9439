"""Where the command `treeage` and `python -m treeage` begin; loads nothing before it can be stopped in plain words."""

import sys


def run() -> int:
    """Load and run the commands: a stop while they load ends like one while they run."""
    try:
        from treeage.cli import main

        return main()
    except KeyboardInterrupt:  # before or after the commands' own guard
        if sys.stderr is not None:
            sys.stderr.write("Stopped; no output was changed.\n")
        return 130


if __name__ == "__main__":
    raise SystemExit(run())
