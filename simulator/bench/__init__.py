"""The process engineer's bench: profiles tried on virtual strings before a real bath sees them.

Here the real core is stepped against the virtual plant, one string or many, and what came of it is counted, drawn,
judged, released, and fitted to records of real runs. Nothing here touches a wire or a running service.
"""
