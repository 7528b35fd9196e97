"""Read the stored copies again, and record which are unchanged and what happened to the others."""
