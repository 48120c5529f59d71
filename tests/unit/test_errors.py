"""What a person is told must be told in full, from whichever process it comes."""

import pickle

import pytest

from edge.errors import CallError, InputError


@pytest.mark.parametrize("kind", [InputError, CallError])
def test_an_error_survives_the_way_between_processes(kind):
    error = kind("no unit", where="a.csv, line 1", do="name it base_psi")
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is kind
    assert str(again) == str(error) == "a.csv, line 1: no unit; name it base_psi."
    assert (again.what, again.where, again.do) == (error.what, error.where, error.do)
