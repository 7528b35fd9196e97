"""Decoding pictures apart, in a process that can be killed, and small pictures for pages."""
