"""Many runs: found and listed, their table of figures, archived as one file each, exported. Commands `runs`, `export`.

What may enter: what looks over runs that others wrote, and puts copies of them elsewhere. No format of a record is
laid down here, and none of its files changed.
"""
