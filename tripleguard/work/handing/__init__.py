"""Handing a shoot over: a bag that anybody can check, and checking anybody's bag."""
