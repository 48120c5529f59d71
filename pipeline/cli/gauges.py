"""The gauge command: inspect."""
