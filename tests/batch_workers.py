"""Work for a pool of processes that ends its own worker; in a module, so that a new process can import it."""

import os
import signal
import time
from pathlib import Path

from treeage.batch import Outcome


def number(site):
    """Say the name of the stand back, quickly."""
    return Outcome(site.name, {"trees": 1})


def dies_once(site):
    """End the worker the first time a stand called `once` is worked on, which its folder remembers."""
    if site.name == "once" and not Path(site.place, "died").exists():
        Path(site.place, "died").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number(site)


def dies_always(site):
    """End the worker at every stand called `always`, after a moment in which others are handed out."""
    if site.name.startswith("always"):
        with Path(site.place, site.name).open("a") as file:
            file.write("x")
        time.sleep(0.2)
        os._exit(3)
    return number(site)
