"""The catalog: every file, every copy, its evidence, and what was done.

The catalog may lag behind the drives after a crash; it never leads, because a row is written only after the bytes
it describes are flushed and published. It can be lost: every drive carries a snapshot and check lists.
"""
