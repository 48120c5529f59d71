"""The smear commands: sheet, score."""
