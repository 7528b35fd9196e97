"""Read names, metadata, ratings and previews of camera files; the subpackage `integrity` checks their structure.

The input is untrusted bytes and names. Nothing here opens a file by itself, every loop has a limit, and every text
is cleaned before it is returned.
"""
