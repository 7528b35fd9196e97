"""The life of a drive: adopt, retire, declare lost, mark again, and rebuild the catalog from drives."""
