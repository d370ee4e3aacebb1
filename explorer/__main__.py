"""``python -m explorer`` is the ``stagefront`` command."""

from explorer.cli import main

main()
