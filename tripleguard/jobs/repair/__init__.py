"""Repair what a good copy can put right, and manage the quarantine."""
