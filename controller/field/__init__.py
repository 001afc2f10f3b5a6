"""The field side: Modbus words to readings, commands to Modbus words, and the links they travel on.

May enter: reading, writing and telling what went wrong. May not enter: any decision about current.
The field never reacts.
"""
