"""``python -m explorer`` is the ``stagefront`` command."""

from explorer.cli.command import main

if __name__ == "__main__":
    main()
