"""Find missing cards from frames, frame counters, gaps in the numbers, and deletion habits. Pure functions."""
