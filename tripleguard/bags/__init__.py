"""The text files of a bag, as defined by RFC 8493 (BagIt 1.0, October 2018).

A bag is a folder that describes its own content. This package writes and parses its text files; it touches a disk
only for the temporary inventory of a check. `jobs/handover` copies and checks bags.
"""
