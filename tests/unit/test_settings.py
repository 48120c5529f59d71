"""Are settings read as written, and refused in one sentence that names the place?"""

import pytest

from edge.errors import InputError
from pipeline.settings import SiteSettings, load_settings, parse_settings


def test_a_home_without_settings_has_the_defaults(tmp_path):
    settings = load_settings(tmp_path)
    assert settings == SiteSettings()
    assert (settings.limits.balance_caution_psi, settings.limits.balance_out_psi) == (200, 300)
    assert settings.limits.idle_min == 5
    assert settings.pump("any").ratio_by_mass == 10


def test_the_sample_site_reads(tmp_path, pytestconfig):
    sample = (pytestconfig.rootpath / "sample_streams" / "site.toml").read_text()
    (tmp_path / "site.toml").write_text(sample)
    settings = load_settings(tmp_path)
    assert settings.name == "hall-9"
    assert settings.shift(2).name == "late"
    assert settings.pump("pump-a").curing_agent_stroke_ml == 20


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = \n", "line 1"),
        ('name = "Hall 9"\n', "line 1: name"),
        ('time_zone = "Mars/Base"\n', "line 1: time_zone: no time zone 'Mars/Base'"),
        ('time_zone = "../etc/passwd"\n', "time_zone"),
        ('tone_zone = "UTC"\n', "line 1: tone_zone"),
        ("[limits]\nidle_min = 5\nidle_max = 7\n", "line 3: limits.idle_max"),
        ("[limits]\n\nidle_min = -5\n", "line 3: limits.idle_min"),
        ("[limits]\nbalance_caution_psi = 400\n", "line 2: limits.balance_caution_psi"),
        ('[pumps.pump-a]\nratio_by_mass = "ten"\n', "line 2: pumps.pump-a.ratio_by_mass"),
        ("[pumps.pump-a]\nsnap_min_min = 70.0\n", "line 2: pumps.pump-a.snap_min_min"),
        ('[pumps."Pump A"]\n', "line 1: pumps.Pump A"),
        ("pumps = 3\n", "line 1: pumps"),
        ('[[shifts]]\nnumber = 1\nstart = "6:00"\nend = "14:00"\n', "line 3: shifts.start"),
        ("[gauges]\nidle_min = 7.0\n", "line 2: gauges.idle_min: it is set as idle_min under [limits]"),
        ('day_starts = "24:00"\n', "line 1: day_starts"),
        ("shifts = []\n", "line 1: shifts"),
        (
            '[[shifts]]\nnumber = 1\nstart = "06:00"\nend = "14:00"\n' * 2,
            "not all different",
        ),
    ],
)
def test_a_wrong_setting_is_refused_in_one_sentence(text, says):
    with pytest.raises(InputError) as refused:
        parse_settings(text)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


def test_bytes_that_are_no_text_are_refused(tmp_path):
    (tmp_path / "site.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"site\.toml"):
        load_settings(tmp_path)


def test_an_unknown_shift_names_those_there_are():
    with pytest.raises(InputError, match="take one of 1, 2, 3"):
        SiteSettings().shift(7)


def test_gauges_are_analysed_under_the_sites_limits_and_the_pumps_plate():
    settings = parse_settings(
        "[limits]\nidle_min = 7.0\n[gauges]\nclogging_rise = 0.3\n[pumps.pump-a]\nbase_stroke_ml = 160.0\n"
    )
    gauges = settings.gauges_of("pump-a")
    assert (gauges.idle_min, gauges.clogging_rise, gauges.base_stroke_ml) == (7, 0.3, 160)
    assert settings.gauges_of("pump-b").base_stroke_ml is None
