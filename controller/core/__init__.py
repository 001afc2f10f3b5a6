"""The decisions: pure functions from readings and orders to commands and events.

May enter: plain data and arithmetic. May not: clocks, files, sockets, threads, words for people, `math` functions
where a product or a sum does. The live service, the dry run, a fault campaign and a replay all drive this same code.
"""
