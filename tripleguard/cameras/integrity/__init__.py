"""Check whether a camera's file holds together: walks through its format, the verdict, and decoding."""
