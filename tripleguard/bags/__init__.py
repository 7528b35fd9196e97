"""Bags: a folder that says of itself what it holds, as RFC 8493 (BagIt 1.0, October 2018) has it.

What stands in a bag's text files is written and read here; nothing here touches a disk but the passing ledger of a
check. The copying is `work.handover`, the checking `work.bagcheck`.
"""
