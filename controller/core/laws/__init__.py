"""The interlocks: one small file a law, each with hazard, law, defaults with their reasons, reaction, what clears it.

May enter: functions from a `View` to a `Finding`, gathered in `controller.core.interlocks`. Nothing here keeps
memory: how long and in how many readings a comparison must hold is counted in `controller.core.conditions`.
"""
