"""Queries about the whole archive: the report, the search for pictures, the forecast."""
