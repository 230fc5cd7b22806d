"""The open byte formats of the Bluetooth Blood Pressure Profile, parse and build.

Each format is declared once with construct (`layout.py` says how it is read quickly). Whatever the
octets, parsing raises nothing but `errors.ParseError`; what a parser does not understand it keeps.
"""
