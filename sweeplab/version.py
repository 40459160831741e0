"""The program's version, in one place that costs nothing to ask."""

__version__ = "0.1.0"
