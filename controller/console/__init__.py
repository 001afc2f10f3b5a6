"""The console: what a person at a terminal sees of the baths, and what that person can order.

Pages are pure: a scene in, rows of text out. It knows the service's socket, the records' reader and the words, and
nothing else of the controller; it decides nothing, every order is the service's to accept or refuse.
"""
