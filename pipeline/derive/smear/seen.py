"""What was seen on a smear photograph? What goes from measuring to the verdict and to the overlay."""

from dataclasses import dataclass, field

from pipeline.derive.smear.arrays import BoolArray
from pipeline.derive.smear.bare import Strip
from pipeline.derive.smear.colour import Colour
from pipeline.derive.smear.film import Film
from pipeline.derive.smear.find import WORK_PX_PER_MM, Canvas
from pipeline.derive.smear.fold import Fold
from pipeline.derive.smear.light import Light
from pipeline.derive.smear.mixing import Mixing
from pipeline.derive.smear.results import Check
from pipeline.derive.smear.specks import Speck
from pipeline.derive.smear.streaks import Streak


@dataclass(frozen=True)
class Wings:
    """The film's crop and what was measured on it.

    at : (left, top) of the crop on the canvas [px]; px_per_mm : of the canvas, assumed without a sheet
    fold_known : whether the sheet's print or the paper's crease shows the fold
    torn : (H, W), bare paper where one wing's film tore off; strip : what is white along the fold
    unmixed : share of the film white as base; unmixed_alike : how far the wings agree on where, -1 to 1
    bubbles : whether both wings show round white spots so large that they may be air or base
    light_doubt : deviation of the fraction that gloss and light may feign [1]
    parted : whether the fold is bare for most of its way between the wings
    """

    at: tuple[int, int]
    px_per_mm: float
    fold: Fold
    fold_known: bool
    both: BoolArray
    mixing: Mixing
    colour: Colour
    streaks: list[Streak]
    specks: list[Speck]
    torn: BoolArray
    unmixed: float
    unmixed_alike: float
    strip: Strip | None
    parted: bool
    fold_patch_mm2: float
    one_wing: float
    light_doubt: float = 0.0
    bubbles: bool = False


@dataclass
class Seen:
    """What was found on the way to a verdict, as far as it went.

    white : (H, W), on the canvas, a film as white as the paper; nothing of it is measured but its size
    """

    canvas: Canvas | None = None
    levelled: Light | None = None
    film: Film | None = None
    wings: Wings | None = None
    px_per_mm: float = WORK_PX_PER_MM
    white: BoolArray | None = None
    checks: list[Check] = field(default_factory=list)
    qr: tuple[str, str, str] | None = None
