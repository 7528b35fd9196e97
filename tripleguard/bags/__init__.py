"""The text files of a bag, as RFC 8493 (BagIt 1.0, October 2018) defines it.

A bag is a folder that describes its own content. Its text files are written and parsed here; nothing here touches
a disk but the temporary inventory of a check. `jobs/handover` copies and checks bags.
"""
