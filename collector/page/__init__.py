"""The station's web page: another face of the same functions, for people who do not use terminals.

Nothing is reckoned here, no query is written here, and what is said about values comes from where the command line has
it. `serving` runs it, `app` has the routes, `guard` and `visitor` say who gets in, one module a page does the rest.
"""
