"""The version of the package, for results and records.

The same as in pyproject.toml; a test compares them.
"""

from __future__ import annotations

VERSION = "0.1.0"
