"""What the retention rule took away, and of which payload it was a copy: none of it is brought back here.

Another station keeps its own, and what is said of that there holds here of the payload that stayed.
"""

STATEMENTS = ("CREATE TABLE thinned (uid BLOB PRIMARY KEY, copy_of BLOB) STRICT, WITHOUT ROWID",)
