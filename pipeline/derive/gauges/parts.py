"""Which gauges feel which part?"""

from typing import Final

from edge.words import Gauge
from pipeline.derive.gauges.results import Part

PARTS: Final[dict[Part, tuple[Gauge, ...]]] = {
    "base": (Gauge.BASE,),
    "catalyst": (Gauge.CATALYST_1, Gauge.CATALYST_2),
}
FLUID: Final = tuple(gauge for gauges in PARTS.values() for gauge in gauges)
