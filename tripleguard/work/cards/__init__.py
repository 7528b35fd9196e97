"""A card comes in: where its files go, copying and proving them, what its numbers say, and its clearance."""
