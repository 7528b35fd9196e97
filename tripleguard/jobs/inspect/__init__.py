"""Decode pictures in a child process that can be killed, and make small pictures for pages."""
