"""Putting right what a good copy can put right, and what lies aside since."""
