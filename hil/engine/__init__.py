"""Runs a plan on a robot: sessions, recording, steps, the person, safety. It computes no measurement of its own."""
