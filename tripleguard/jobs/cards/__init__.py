"""Bring in a card: offload, second reading, destinations, top-up, import from a folder, ingest from a drive."""
