"""The record: run folders, their rows, chain, cycles, writer thread, reader, resume after a crash.

What may enter: formats and files. No decision, no clock, no network; times come in as integers with every row.
"""
