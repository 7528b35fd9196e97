"""Decode pictures in a child process that can be killed, and make previews for pages."""
