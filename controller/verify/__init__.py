"""Whether a record is whole and untouched, and whether the core would decide the same again: the checks, and `verify`.

What may enter: checks that read a record and say in words what does not hold. They change nothing, mend nothing, and
know no writer; each is asked only where its ground is whole.
"""
