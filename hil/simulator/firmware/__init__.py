"""The emulated firmware: a 1 kHz task with speed profile, wheel control, wall tracking, front stop and settings.

It knows its robot only through `Body` (counts, readings, duties) and its own nominal sizes, as a real firmware does;
the plant's truth is out of its reach. Lengths mm, times s, angles rad.
"""
