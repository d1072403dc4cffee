"""The files a user writes: read, checked with every mistake at once, and compiled to plain values.

This is the only home of pydantic. The faces of it are `hil.spec.loading` (load a file), `hil.spec.suite_values` and
`hil.spec.robot_values` (what comes out) and `hil.spec.schema` (JSON Schemas for editors).
"""
