"""`python -m germstats` is the command `germstats`."""

from germstats.cli.main import main

main(prog_name="germstats")
