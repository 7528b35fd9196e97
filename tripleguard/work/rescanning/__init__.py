"""Looking at the drives again: what is still what it was, and what became of what is not."""
