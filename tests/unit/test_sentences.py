"""Sentences inside sentences must read as a person would write them."""

import pytest

from edge.sentences import clause, clauses, counted


@pytest.mark.parametrize(
    ("sentence", "inside"),
    [
        ("Unevenly mixed: 6 %, more than 5 %.", "unevenly mixed: 6 %, more than 5 %"),
        ("A shadow lies on the film.", "a shadow lies on the film"),
        ("QR code is not there.", "QR code is not there"),
        ("41 mm long", "41 mm long"),
        ("", ""),
    ],
)
def test_a_sentence_inside_another(sentence, inside):
    assert clause(sentence) == inside


def test_several_sentences_inside_another():
    assert clauses(["Too dark.", "Out of focus."]) == "too dark; out of focus"
    assert clauses([]) == ""


def test_a_count_before_its_noun():
    assert [counted(n, "message") for n in (0, 1, 2)] == ["0 messages", "1 message", "2 messages"]
