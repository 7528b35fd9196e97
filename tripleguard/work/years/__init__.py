"""Drives over the years: retired, lost, named anew, and a catalog made from what they hold."""
