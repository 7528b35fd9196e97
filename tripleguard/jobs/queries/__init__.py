"""Questions about the whole archive: the report, where a picture is, the forecast."""
