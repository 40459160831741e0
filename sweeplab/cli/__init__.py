"""The command line, thin over the library: nothing slow is imported before it is needed."""

from sweeplab.cli.app import main

__all__ = ["main"]
