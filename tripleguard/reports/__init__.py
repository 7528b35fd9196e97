"""What was found, told to people (`text`) and to programs (`objects`)."""
