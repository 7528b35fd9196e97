"""tripleguard: two verified copies of every picture, and an honest answer about the card."""

__version__ = "0.1.0"
