"""What cameras write: names and numbering, what stands inside a file, who shot it and when.

All of it is read from bytes and names that came from outside. Nothing here opens a file, and nothing here
trusts what it reads: every walk has an end, and every text is cleaned before it leaves.
"""
