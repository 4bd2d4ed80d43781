"""The version, apart from the package's front so that any room may name it."""

__version__ = "0.2.0"
