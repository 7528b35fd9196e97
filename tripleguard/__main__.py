"""`python -m tripleguard` is the same as the `tripleguard` command."""

from tripleguard.cli import main

if __name__ == "__main__":
    main()
