"""The rooms of `scripts/bench`: what is measured, on what, and how it is told."""
