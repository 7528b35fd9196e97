"""The jobs. They print nothing: each is a generator that yields progress and returns what it found."""
