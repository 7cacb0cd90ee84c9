"""`python -m master_check` is `sendoff`."""

from master_check.cli import main

main()
