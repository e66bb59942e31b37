"""A virtual printer and camera: invented prints and pictures, all of them marked so.

Nothing here imports the cure model or the measurement that are tried on them.
"""
