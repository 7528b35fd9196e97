"""Check whether a camera's file is intact: structure walks, the verdict, and decoding."""
