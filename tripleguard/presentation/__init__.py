"""Render the results of jobs as text for people (`text`) and as JSON for programs (`json_output`)."""
