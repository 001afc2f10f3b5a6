"""The virtual plant: strings, bath water, rectifiers, sensors and their faults, and the Modbus ends in front of them.

What may enter: `profiles` and `controller`, never the other way round. The physics (chemistry, cell, string, bath,
rectifier, sensors, plant) does no I/O and knows no clock: time is handed in as seconds to go on by.
"""
