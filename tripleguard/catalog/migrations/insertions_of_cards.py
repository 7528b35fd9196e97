"""What an interrupted offload read counts for the same card in the same mounting only."""

SCRIPT = """
ALTER TABLE jobs ADD COLUMN insertion TEXT;
ALTER TABLE card_files ADD COLUMN ctime_ns INTEGER NOT NULL DEFAULT 0;
"""
