"""``python -m linkbudget``: the command line."""

from __future__ import annotations

from linkbudget.cli.main import main

main()
