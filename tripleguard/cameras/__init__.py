"""Names, metadata, ratings and previews of the files that cameras write; `integrity` checks their structure.

All of it is read from untrusted bytes and names. Nothing here opens a file by itself, every loop has a limit, and
every text is cleaned before it is returned.
"""
