"""What is planted in the fleet: on which set, since when, how large, and what should be found of it.

`faults` casts the sets and says what a truth is, `condition` is the part about the state of a set
(battery, charger, volts, hertz, fuel, mains), `graded` states how large a fault must be. The truth
of a fleet that has been made is `demo_fleet.truths`.
"""
