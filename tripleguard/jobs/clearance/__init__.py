"""The only package that may construct a yes: may this card or drive be reformatted?"""
