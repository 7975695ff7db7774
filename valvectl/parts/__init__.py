"""The physical parts: one file each, its laws as plain functions of floats."""
