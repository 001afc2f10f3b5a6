"""The room for proving hardware: rigs, commissioning sequences, their certificate, and the fault campaign.

May enter: code that drives the controller's field and core, or the virtual plant, from outside. May not: decisions
about current, which are the core's alone, and anything that another room imports. Nothing stands here yet.
"""
