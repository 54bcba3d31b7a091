"""Lets ``python -m controller`` stand for the ``coldpin`` command."""

from controller.cli.main import main

main()
