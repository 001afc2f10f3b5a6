"""Runs profiles on real circuits: decides (core), speaks to devices (field), keeps the record, serves people.

Imports from `profiles` only. Inside: `core` knows nobody; the bath file and the words know the core; field and records
know those; the service knows all.
"""
