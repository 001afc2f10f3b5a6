"""What a string shall receive: profile files, their reader with line numbers, and the physics that every room needs.

Nothing here knows a controller, a simulator or a device. Only the loader reads files; the rest is pure.
"""
