"""`python -m driftmodel` is the command line."""

from driftmodel.doors.cli import main

main()
