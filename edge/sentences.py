"""How does a sentence read inside another one, and a count before its noun?"""

from collections.abc import Iterable


def clause(sentence: str) -> str:
    """A sentence without its full stop; its first letter small, but for an abbreviation's."""
    said = sentence.strip().rstrip(".")
    return said[:1].lower() + said[1:] if said[1:2].islower() or said[1:2] == " " else said


def clauses(sentences: Iterable[str]) -> str:
    """Sentences as one part of another."""
    return "; ".join(clause(sentence) for sentence in sentences)


def counted(number: int, noun: str) -> str:
    """A number with its noun, in the plural unless it is one: 1 message, 2 messages."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
