"""Run the command line: ``python -m sweeplab.cli``."""

from sweeplab.cli.app import main

main()
