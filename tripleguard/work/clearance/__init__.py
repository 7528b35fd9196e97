"""The one package that may say yes: may this card be reformatted, may this drive go?"""
