"""How are questions asked of the history? `connect(home)` gives a DuckDB connection with the public views."""

from pipeline.join.open import connect

__all__ = ["connect"]
