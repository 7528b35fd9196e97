"""Decide whether a card or a drive may be reformatted; only this package may construct a yes."""
