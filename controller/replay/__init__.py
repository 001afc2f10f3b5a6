"""Replay: a recorded run shown by the console as if it ran now. Serves snapshots made from the record, takes no order.

What may enter: what reads a record and what shows it. Nothing that drives a rectifier, nothing that writes to a record.
"""
