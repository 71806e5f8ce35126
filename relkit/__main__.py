"""``python -m relkit`` does what ``relkit`` does."""

from relkit.cli import program

program()
