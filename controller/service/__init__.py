"""The running service: its clock, its loop, who may say what, the socket, and the orders that come over it.

May enter: everything of the controller but the screens. May not: a decision about current; those are the core's alone.
"""
