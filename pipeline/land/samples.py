"""Which rows do gauge messages make? One row a moment of a pump, gauges side by side, with its origin."""

from collections.abc import Sequence
from datetime import datetime
from itertools import chain
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from edge.senml import GaugeColumns
from edge.wire import Address
from edge.words import GAUGE_COLUMN, Gauge
from pipeline.land.known import DAY_US, BoolArray, IntArray
from pipeline.tables import MOMENT, TABLES

FloatArray = npt.NDArray[np.float64]
SCHEMA: Final = TABLES["gauge_samples"]


class Origin(NamedTuple):
    """Which message a row came from; stream and seq are None for a file or a foreign device."""

    edge: str | None
    stream: str | None
    seq: int | None


def origin_of(address: Address | None) -> Origin:
    """Where a message came from, as far as its topic says."""
    return Origin(None, None, None) if address is None else Origin(address.edge, address.stream, address.seq)


class Samples(NamedTuple):
    """Rows of one pump, each moment once, in order.

    at_us : (N,) Unix [us]; values : (N,) a gauge, NaN where it has none; origin : (N,) index into origins
    """

    at_us: IntArray
    values: dict[Gauge, FloatArray]
    origin: IntArray
    origins: list[Origin]

    def where(self, mask: BoolArray) -> "Samples":
        """Those of the rows."""
        values = {gauge: column[mask] for gauge, column in self.values.items()}
        return Samples(self.at_us[mask], values, self.origin[mask], self.origins)


def join_packs(packs: Sequence[tuple[GaugeColumns, Origin]]) -> Samples:
    """Rows of one pump's packs. Of two readings of one gauge and moment the first stands."""
    lengths = [len(columns.at_us) for columns, _ in packs]
    at_us = np.fromiter(chain.from_iterable(columns.at_us for columns, _ in packs), np.int64, sum(lengths))
    origin = np.repeat(np.arange(len(packs)), lengths)
    values: dict[Gauge, FloatArray] = {}
    for gauge in Gauge:
        if any(gauge in columns.values for columns, _ in packs):
            # One array of all, for thousands of small ones take most of the time that joining takes.
            parts = (columns.values.get(gauge) or [None] * len(columns.at_us) for columns, _ in packs)
            values[gauge] = np.array(list(chain.from_iterable(parts)), np.float64)
    return one_a_moment(Samples(at_us, values, origin, [origin for _, origin in packs]))


def one_a_moment(samples: Samples) -> Samples:
    """The same in order of time, each moment once; of two readings of a gauge and moment the first stands."""
    if bool((np.diff(samples.at_us) > 0).all()):
        return samples
    moments, first, row = np.unique(samples.at_us, return_index=True, return_inverse=True)
    values = {}
    for gauge, column in samples.values.items():
        joined = np.full(len(moments), np.nan)
        told = np.flatnonzero(np.isfinite(column))
        # Written backwards, so that the first reading of a moment is the one that stays.
        joined[row[told[::-1]]] = column[told[::-1]]
        values[gauge] = joined
    return Samples(moments, values, samples.origin[first], samples.origins)


def to_table(samples: Samples, site: str, pump: str, landed_at: datetime) -> pa.Table:
    """The rows as the history keeps them."""
    count = len(samples.at_us)
    columns: dict[str, pa.Array] = {
        "site": pa.repeat(pa.scalar(site, pa.string()), count),
        "pump": pa.repeat(pa.scalar(pump, pa.string()), count),
        "day": pa.array((samples.at_us // DAY_US).astype(np.int32)).cast(pa.date32()),
        "at": pa.array(samples.at_us).cast(MOMENT),
        "landed_at": pa.repeat(pa.scalar(landed_at, MOMENT), count),
    }
    for gauge, column in samples.values.items():
        columns[GAUGE_COLUMN[gauge]] = pa.array(column, from_pandas=True)
    for name in Origin._fields:
        field = SCHEMA.field(name)
        columns[name] = pa.array([getattr(one, name) for one in samples.origins], field.type).take(
            pa.array(samples.origin)
        )
    return pa.table([columns.get(field.name, pa.nulls(count, field.type)) for field in SCHEMA], schema=SCHEMA)


def fill_in(there: pa.Table, samples: Samples) -> tuple[pa.Table, int]:
    """A day's rows, the readings that they lack filled in from later messages, and how many rows those are.

    there : rows of one pump's day; samples : rows of moments that are all in `there`
    A gauge may be published by itself, so the readings of one moment can come in several messages.
    """
    there = there.sort_by("at")
    row = np.searchsorted(there.column("at").cast(pa.int64()).to_numpy(), samples.at_us)
    filled = np.zeros(len(row), bool)
    for gauge, column in samples.values.items():
        name = GAUGE_COLUMN[gauge]
        known = there.column(name).to_numpy().copy()
        lacking = np.isnan(known[row]) & np.isfinite(column)
        if lacking.any():
            known[row[lacking]] = column[lacking]
            place = SCHEMA.get_field_index(name)
            there = there.set_column(place, SCHEMA.field(place), pa.array(known, from_pandas=True))
            filled |= lacking
    return there, int(filled.sum())
