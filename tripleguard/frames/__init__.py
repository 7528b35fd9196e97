"""Is a card missing? Frames, how a body counts them, gaps in the numbers, and habits of deletion. Pure."""
