"""Does a proposed limit keep out every mix that the eye failed? Is it said where the present one does not?"""

import tomllib
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.derive.smear.learn import FAILS_TO_LOOSEN, propose
from pipeline.limits import Sample, limits_in_words, report_of
from pipeline.settings import parse_settings

GOOD = list(np.linspace(0.008, 0.03, 40))


def test_a_shop_with_sharper_eyes_than_the_default_gets_a_tighter_limit():
    found = propose([*GOOD, 0.04, 0.06, 0.09], [False] * 40 + [True] * 3, 0.05)
    assert found.cov_max == pytest.approx(np.sqrt(0.03 * 0.04), abs=1e-3)
    assert found.passes_failed == 1 and found.false_alarms.value == 0


def test_a_limit_is_loosened_only_on_many_failed_mixes():
    few = propose([*GOOD, 0.09, 0.1], [False] * 40 + [True] * 2, 0.035)
    assert few.cov_max is None and "too few to loosen" in few.reason
    bad = np.linspace(0.09, 0.2, FAILS_TO_LOOSEN)
    many = propose([*GOOD, *bad], [False] * 40 + [True] * FAILS_TO_LOOSEN, 0.035)
    assert 0.035 < many.cov_max < 0.09


def test_calls_that_contradict_the_camera_give_no_limit_but_a_list():
    found = propose([*GOOD, 0.009, 0.08], [False] * 40 + [True] * 2, 0.05)
    assert found.cov_max is None and "contradict" in found.reason
    assert 40 in found.disputed and found.passes_failed == 1


@pytest.mark.parametrize(("cov", "fails"), [([], []), (GOOD, [False] * 40), ([0.01, 0.2], [False, True])])
def test_too_little_to_tell_from_gives_no_limit(cov, fails):
    assert propose(cov, fails, 0.05).cov_max is None


@given(
    good=st.lists(st.floats(0.001, 0.3), max_size=60),
    bad=st.lists(st.floats(0.001, 0.6), max_size=80),
    present=st.floats(0.01, 0.2),
)
def test_no_proposal_passes_a_mix_that_the_eye_failed(good, bad, present):
    found = propose([*good, *bad], [False] * len(good) + [True] * len(bad), present)
    if found.cov_max is not None:
        assert 0 < found.cov_max < min(bad)
        assert found.cov_max <= present or len(bad) >= FAILS_TO_LOOSEN


def sample(eye, camera, cov):
    return Sample(
        day=date(2026, 9, 1),
        pump="pump-a",
        person="M. Silva",
        eye=eye,
        camera=camera,
        cov=cov,
        sha256="ab" * 32,
    )


def test_the_report_shouts_where_the_present_limit_misses_and_offers_what_site_toml_reads():
    samples = [sample("pass", "pass", c) for c in GOOD]
    samples += [sample("fail", "pass", 0.04), sample("fail", "fail", 0.09), sample("pass", "retake", None)]
    report = report_of(samples, 0.05)
    words = limits_in_words(report)
    assert "ATTENTION: the present limit, 0.050, lets through\n1 of the mixes that the eye failed" in words
    assert report.not_judged == 1 and report.agreement.misses == 1
    settings = parse_settings(report.toml)
    assert settings.smear.cov_max == report.proposal.cov_max < 0.04
    assert tomllib.loads(report.toml)["smear"]["origin"].startswith("fitted to 42 samples")


def test_what_a_streak_failed_does_not_drag_the_limit_down():
    samples = [sample("pass", "pass", c) for c in GOOD]
    streaked, uneven = sample("fail", "fail", 0.012), sample("fail", "fail", 0.09)
    report = report_of([*samples, streaked, uneven], 0.06)
    assert report.fitted == 41 and report.proposal.cov_max == pytest.approx(np.sqrt(0.03 * 0.09), abs=1e-3)


def test_nothing_judged_by_both_is_said():
    assert "No sample has been judged" in limits_in_words(report_of([], 0.05))
