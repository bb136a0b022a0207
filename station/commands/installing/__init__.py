"""How the station comes onto a Pi, is renewed there and leaves it: what is found, what is planned, what is done.

Nothing here needs more than Python's own library: it runs before the station's environment is there.
"""
