"""Is the simulated pump a pump? Volumes, dips, truth and files of tests/shop/pump.py and the invented day."""

import csv
import gzip
import io
import itertools
import json
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from edge.gaugefile import read_gauge_file
from edge.units import PA_PER_PSI
from edge.words import Fault, Gauge, PumpState
from tests.shop.curves import Curves, Stretch, fit_hose
from tests.shop.day import HZ, PLANTED, RECORD_TO, SHOP, at
from tests.shop.hydraulics import FINE_S
from tests.shop.pressures import PARAMS, SEEDS, ambient_csv, script_of, seconds_of
from tests.shop.pump import PARTS, play, random_params, random_script, read_gauges, simulate, truth_of
from tests.shop.pump_params import GAUGES, GaugeParams, PartParams, PumpParams
from tests.shop.recording import gauge_csv, write_gauge_file
from tests.shop.script import FAULT_KINDS, WHOLE_ROW, PlantedFault, Script, Trend, Writer, pull_work

QUIET = dict.fromkeys(GAUGES, GaugeParams(noise_psi=0.0, lag_s=0.001))
# Whose every number is known: no noise, no wobble, no crosstalk.
PLAIN = PumpParams(
    base=PartParams(2500, 1800, 130, dip_share=0.16, dip_s=0.15, asymmetry=0.0),
    catalyst=PartParams(2200, 1500, 16, dip_share=0.09, dip_s=0.21, asymmetry=0.0),
    wobble_share=0.0,
    ripple_share=0.0,
    air_swing_share=0.0,
    crosstalk=0.0,
    gauges=QUIET,
)


def long_pull(seconds: float = 120.0) -> Script:
    writer = Writer()
    writer.add("stand", 20.0)
    writer.add("pull", seconds)
    writer.add("stand", 20.0)
    return Script(tuple(writer.acts))


def shift(seed: int = 1, hours: float = 1.0) -> Script:
    """Work without a fault or a trend."""
    return replace(random_script(np.random.default_rng(seed), hours, faults=False), trends=())


def moment(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    scripts = [random_script(np.random.default_rng(7), 2.0) for _ in range(2)]
    machines = [random_params(np.random.default_rng(8), 20.0) for _ in range(2)]
    assert scripts[0] == scripts[1] and machines[0] == machines[1]
    files = []
    for name in ("one.csv.gz", "two.csv.gz"):
        recording, truth = simulate(long_pull(), machines[0], 3, 20.0)
        write_gauge_file(tmp_path / name, recording)
        files.append(((tmp_path / name).read_bytes(), truth.to_json()))
    assert files[0] == files[1]
    other, _ = simulate(long_pull(), machines[0], 4, 20.0)
    assert gauge_csv(other) != gzip.decompress(files[0][0])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_the_pistons_swept_is_what_went_out_slipped_or_is_in_the_hose(seed):
    params = random_params(np.random.default_rng(seed), 10.0)
    played = play(shift(seed), params, seed)
    for name, run in played.runs.items():
        stroke_s = getattr(params, name).stroke_ml / params.part_flow_ml_s(name)
        assert run.swept.sum() / stroke_s == pytest.approx(len(run.turns), abs=1.0)
        assert run.out.min() > -1e-6
        theta_s = fit_hose(getattr(params, name), params.thinning).theta_s
        assert run.stored.sum() == pytest.approx(run.p[-1] * theta_s, rel=0.01)


def test_outflow_follows_the_power_law():
    played = play(long_pull(), PLAIN, 1)
    for run in played.runs.values():
        pulls = [i for i, act in enumerate(played.acts) if act.kind == "pull"]
        by_law = (run.p[2000:14000] ** (1 / PLAIN.thinning)).sum() * FINE_S
        assert run.out[pulls].sum() == pytest.approx(by_law, rel=0.003)


def test_strokes_times_displacement_is_the_flow_at_the_set_ratio():
    _, truth = simulate(shift(5), PLAIN, 1, 10.0)
    for name, litres in truth.dispensed_l.items():
        turns = truth.strokes[name] + truth.unseen_turns[name]
        stroke_ml = getattr(PLAIN, name).stroke_ml
        # What is in the hoses when the gun shuts goes out when it opens.
        assert turns * stroke_ml / 1000 == pytest.approx(litres, abs=2 * stroke_ml / 1000, rel=0.01)
    script = shift(5)
    purged = sum(act.end - act.start for act in script.acts if act.kind == "purge")
    base = truth.dispensed_l["base"] - purged * PLAIN.part_flow_ml_s("base") / 1000
    assert base / truth.dispensed_l["catalyst"] == pytest.approx(PLAIN.ratio_by_volume, rel=0.02)


def test_dips_are_as_deep_and_as_wide_as_set():
    recording, truth = simulate(long_pull(), replace(PLAIN, step_psi=0.001), 2, 100.0)
    for name, gauge in (("base", "base"), ("catalyst", "catalyst_1")):
        part, psi = getattr(PLAIN, name), recording.psi[gauge]
        for turn in truth.reversals[4:-4]:
            if turn["pump"] != name:
                continue
            row = round((moment(turn["at"]) - recording.at_us[0] / 1e6) * 100)
            near = psi[row - 60 : row + 60]
            depth = part.run_psi - near.min()
            # A turn's dead time scatters by a tenth.
            assert depth / part.run_psi == pytest.approx(part.dip_share, rel=0.15)
            width = (near < part.run_psi - depth / 2).sum() / 100
            assert width == pytest.approx(part.dip_s, rel=0.15)
            assert turn["depth_psi"] == pytest.approx(depth, rel=0.05)


def test_strokes_last_as_flow_and_displacement_say():
    _, truth = simulate(long_pull(), PLAIN, 2, 10.0)
    for name in PARTS:
        times = [moment(turn["at"]) for turn in truth.reversals if turn["pump"] == name]
        expected = getattr(PLAIN, name).stroke_ml / PLAIN.part_flow_ml_s(name)
        assert np.diff(times).mean() == pytest.approx(expected, rel=0.03)


def test_a_clogged_mixer_raises_pressure_at_the_same_flow():
    script = replace(long_pull(), trends=(Trend("clogging", 0.0, 1.0, 200.0, 0.5),))
    clean, clogged = play(long_pull(), PLAIN, 1), play(script, PLAIN, 1)
    rise = np.median(clogged.psi["base"][3000:13000]) / np.median(clean.psi["base"][3000:13000])
    assert rise == pytest.approx(1 + 0.5 * PLAIN.base.mixer_share, rel=0.01)
    flows = [truth_of(played).dispensed_l["base"] for played in (clean, clogged)]
    assert flows[0] == pytest.approx(flows[1], rel=0.01)


def test_a_worn_check_valve_parts_the_two_directions():
    part = replace(PLAIN.base, wear=0.1)
    curves = Curves([Stretch(0, 1, "open", stall=2500 / 1800)], part, fit_hose(part, 0.45), 0.45)
    down, up = curves.settled[0]
    assert down < up
    # In balance: what is pumped slips back or goes out through the outlet.
    assert curves.flow[0] == pytest.approx(curves.slip_flow[0] + curves.settled[0] ** (1 / 0.45), abs=1e-9)


def test_standing_leaks_down_and_purging_moves_the_base_alone():
    writer = Writer()
    for kind, seconds in (("off", 60), ("stand", 300), ("purge", 30), ("stand", 60)):
        writer.add(kind, seconds)
    recording, truth = simulate(Script(tuple(writer.acts)), PLAIN, 1, 10.0)
    base, catalyst = recording.psi["base"], recording.psi["catalyst_1"]
    assert np.abs(base[100:590]).max() <= 2
    assert base[700] == pytest.approx(2500, abs=10)
    assert 5 < base[1000] - base[3500] == pytest.approx(250 / 60 * PLAIN.base.leak_psi_min, rel=0.15)
    assert np.median(base[3700:3890]) < 1850 < 2100 < catalyst[3700:3890].min()
    assert {turn["pump"] for turn in truth.reversals} == {"base"}
    assert [state["type"] for state in truth.states] == ["off", "stalled", "purging", "stalled"]


def test_no_reversal_or_trigger_makes_an_imbalance_and_no_stop_is_invented():
    for seed in range(6):
        params = random_params(np.random.default_rng(seed), 10.0)
        assert truth_of(play(shift(seed), params, seed)).balance_events == []


def test_an_imbalance_counts_by_the_mean_of_a_stroke():
    script = replace(long_pull(600), trends=(Trend("apart", 100.0, 300.0, 500.0, 350.0),))
    (event,) = truth_of(play(script, PLAIN, 1)).balance_events
    assert event["type"] == "out_of_balance"
    # Over the limit from 4/7 of the ramp on; later by what metering costs, for catalyst_2 starts below.
    over = moment(event["start"]) - script.start_us / 1e6
    apart = 200 + PLAIN.metering_psi
    assert over == pytest.approx(100 + 200 * apart / 350, abs=10)
    assert event["peak_psi"] == pytest.approx(350 - PLAIN.metering_psi, abs=5)


@pytest.mark.parametrize("seed", range(4))
def test_states_follow_each_other_and_cover_the_recording(seed):
    rng = np.random.default_rng(40 + seed)
    script = random_script(rng, 1.0)
    script = replace(script, faults=tuple(f for f in script.faults if f.kind != "clock_step"))
    recording, truth = simulate(script, random_params(rng, 25.0), seed, 25.0)
    assert {state["type"] for state in truth.states} <= set(PumpState)
    for before, after in itertools.pairwise(truth.states):
        assert before["end"] == after["start"] and before["start"] < before["end"]
    assert moment(truth.states[0]["start"]) == pytest.approx(script.start_us / 1e6)
    assert moment(truth.states[-1]["end"]) == pytest.approx(recording.at_us[-1] / 1e6, abs=0.1)
    for spans in (truth.balance_events, truth.idle_spans, truth.changeovers, truth.sensor_faults):
        assert all(span["start"] <= span["end"] for span in spans)
        assert sorted(span["start"] for span in spans) == [span["start"] for span in spans]
    assert {fault["type"] for fault in truth.sensor_faults} <= set(Fault)
    json.loads(truth.to_json())


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_a_planted_fault_is_where_it_is_said(kind):
    channel = "all" if kind in WHOLE_ROW else "catalyst_2"
    size = {"wire_break": -1250.0, "saturation": 0.6, "duplicate": 5, "out_of_order": 6, "clock_step": -8.0}
    moments = ("spike", "duplicate", "out_of_order", "clock_step")
    fault = PlantedFault(kind, channel, 60.0, 60.0 if kind in moments else 90.0, size.get(kind, 400.0))
    script, params = long_pull(), replace(PLAIN, gauges=dict.fromkeys(GAUGES, GaugeParams(noise_psi=3.0)))
    sound, _ = simulate(script, params, 1, 10.0)
    recording, truth = simulate(replace(script, faults=(fault,)), params, 1, 10.0)
    (said,) = truth.sensor_faults
    assert (said["type"], said["channel"]) == (kind, channel)
    assert moment(said["start"]) == pytest.approx(
        sound.at_us[600] / 1e6 - (8.0 if kind == "clock_step" else 0), abs=0.1
    )
    if channel == "all":
        assert len(recording.at_us) - len(sound.at_us) == {"gap": -300, "duplicate": 5}.get(kind, 0)
        assert np.array_equal(recording.at_us[:600], sound.at_us[:600])
        assert not np.array_equal(recording.at_us[600:607], sound.at_us[600:607]) or kind == "duplicate"
        return
    differs = np.flatnonzero(recording.psi[channel] != sound.psi[channel])
    assert differs[0] >= 600 and differs[-1] < 900
    assert np.array_equal(recording.psi["base"], sound.psi["base"])


@pytest.mark.parametrize(("unit", "pascal"), [("psi", PA_PER_PSI), ("bar", 1e5), ("kPa", 1e3), ("MPa", 1e6)])
def test_the_file_keeps_the_contract(unit, pascal):
    fault = PlantedFault("missing", "catalyst_1", 30.0, 31.0)
    recording, _ = simulate(replace(long_pull(), faults=(fault,)), PLAIN, 1, 20.0)
    rows = list(csv.DictReader(io.StringIO(gauge_csv(recording, unit).decode())))
    assert list(rows[0]) == ["ts", *(f"{gauge}_{unit}" for gauge in GAUGES)]
    assert len(rows) == len(recording.at_us)
    assert rows[0]["ts"].endswith("Z") and len(rows[0]["ts"]) == len("2026-10-14T17:46:40.000Z")
    assert [i for i, row in enumerate(rows) if row[f"catalyst_1_{unit}"] == ""] == list(range(600, 620))
    for row, psi, at_us in zip(rows, recording.psi["base"], recording.at_us, strict=True):
        assert float(row[f"base_{unit}"]) * pascal / PA_PER_PSI == pytest.approx(psi, abs=0.1)
        assert moment(row["ts"]) == pytest.approx(at_us / 1e6, abs=0.001)


def test_the_reader_of_gauge_files_reads_what_was_written(tmp_path):
    recording, _ = simulate(long_pull(60.0), PLAIN, 1, 20.0)
    write_gauge_file(tmp_path / "pump.csv.gz", recording, "bar")
    rows = list(read_gauge_file(tmp_path / "pump.csv.gz"))
    assert [row.at_us for row in rows] == recording.at_us.tolist()
    read = np.array([row.values[Gauge.CATALYST_2] for row in rows], dtype=float)
    assert read / PA_PER_PSI == pytest.approx(recording.psi["catalyst_2"], abs=0.01)


def test_the_climate_has_a_row_a_minute(tmp_path):
    (tmp_path / "ambient.csv").write_bytes(ambient_csv())
    rows = list(read_gauge_file(tmp_path / "ambient.csv"))
    assert set(np.diff([row.at_us for row in rows])) == {60_000_000}
    assert len(rows) == round(seconds_of(RECORD_TO.isoformat()) / 60)
    assert all(15 < row.values[Gauge.AMBIENT_TEMP] < 30 for row in rows)


@pytest.fixture(scope="module")
def day():
    return {
        pump: play(script_of(SHOP[pump], np.random.default_rng([SEEDS[pump], 0])), PARAMS[pump], SEEDS[pump])
        for pump in SHOP
    }


def test_the_day_has_what_is_planted_and_nothing_else(day):
    found = {}
    for pump, played in day.items():
        for number, start, end in ((1, "05:45", "14:00"), (2, "14:00", "22:10")):
            truth = truth_of(played, seconds_of(start), seconds_of(end))
            kinds = [(e["type"], e) for e in truth.balance_events]
            kinds += [("unpurged_stop", s) for s in truth.idle_spans if not s["purged"]]
            kinds += [("changeover", s) for s in truth.changeovers]
            kinds += [(f"gauge_{s['type']}", s) for s in truth.sensor_faults]
            kinds += [("clogging", truth.clogging)] if truth.clogging else []
            found[pump, number] = kinds
    of_gauges = ("out_of_balance", "unpurged_stop", "changeover", "gauge_stuck", "clogging")
    for key, planted in PLANTED.items():
        expected = [(kind, start) for kind, start, _ in planted if kind in of_gauges]
        assert [kind for kind, _ in found[key]] == [kind for kind, _ in expected]
        for (_, span), (_, start) in zip(found[key], expected, strict=True):
            assert abs(moment(span["start"]) - at(start).timestamp()) <= 60


def test_the_day_is_paced_as_the_script_says(day):
    for played in day.values():
        flows = [(a.start, a.end) for a in played.script.acts if a.kind in ("pull", "cavitate")]
        stops = sorted(after[0] - before[1] for before, after in itertools.pairwise(flows))
        # Under 2 min, between spans up to 5 min, or a stop that the script names.
        assert not [stop for stop in stops if 120 < stop < 230]
        for gauge, psi in played.psi.items():
            # No gauge starts beyond what its transmitter can say.
            assert psi.max() < played.params.span_psi and psi.min() > -0.0125 * played.params.span_psi, gauge


def test_dips_of_the_day_are_sampled(day):
    for played in day.values():
        for name in PARTS:
            assert getattr(played.params, name).dip_s * HZ >= 1.5
        recording = read_gauges(played, 1, HZ)
        assert len(recording.at_us) == round(played.script.seconds * HZ)


def test_work_ends_with_its_span():
    for seed in range(50):
        writer = Writer()
        pull_work(writer, 600.0, np.random.default_rng(seed))
        assert writer.now == pytest.approx(600.0) and writer.acts[-1].kind == "pull"
        assert max(a.end - a.start for a in writer.acts if a.kind == "stand") < 60
