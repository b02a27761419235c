"""The front door: the `hourhand` command, which calls every program of the service and is called by none.

Kept empty, so that a program started by `hourhand.program` loads nothing but itself.
"""
