"""Run the `tripleguard` command with `python -m tripleguard`."""

from tripleguard.cli import main

if __name__ == "__main__":
    main()
