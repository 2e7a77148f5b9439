"""The version of the package, for results and records.

Layer 0. The same as in pyproject.toml; a test compares them.
"""

VERSION = "0.1.0"
