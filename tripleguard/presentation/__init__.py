"""What the jobs found, as text for people (`to_json_text`) and as JSON for programs (`json_output`)."""
