"""Read the stored copies again, and record what is unchanged and what became of the rest."""
