"""How is one photograph made, and what is true of it?"""

from dataclasses import replace

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray
from tests.shop.otherphoto.colour import material
from tests.shop.otherphoto.lens import Pose, ground_of, held, seen_at, vignette
from tests.shop.otherphoto.light import Lamp, Shade, kelvin
from tests.shop.otherphoto.paper import PAPER, buckle, fibres, print_reflectance, table, writing
from tests.shop.otherphoto.phone import Phone, developed
from tests.shop.otherphoto.plan import Plan
from tests.shop.otherphoto.scene import Lighting, Lit, _places, sheet_radiance, table_radiance
from tests.shop.otherphoto.smear import Smear, smeared
from tests.shop.otherphoto.truth import mixing, verdict_of

TABLE_PX_PER_MM = 2.0
LEAST_PX_PER_MM = 2.6  # a usable photograph shows at least this much


def photograph(plan: Plan, pages: dict[str, FloatArray]) -> tuple[bytes, dict[str, object]]:
    """The JPEG and its truth. pages : the printed sheets, (H, W) grey 0 to 1, by name."""
    rng = np.random.default_rng([plan.seed, 2])
    of = material(rng, plan.shade)
    smear, measured = _smear_wanted(plan, of.share)
    shape = smear.thickness.shape
    x, y = _places(shape, 1)
    height = buckle(rng, x, y)
    paper = (
        fibres(rng, shape)[..., None] * rng.uniform(*PAPER) * np.array([0.985, 1.0, rng.uniform(0.97, 1.03)])
    )
    if plan.page:
        printed = print_reflectance(pages[plan.page], shape, rng.uniform(0.9, 1.12), rng.uniform(0.03, 0.07))
        paper = paper * printed[..., None]
    paper = writing(
        rng, paper.astype(np.float32), _near(smear, 3.0) if not plan.page else np.ones(shape, np.float32)
    )
    pose = _pose(rng, plan, smear)
    light = _lighting(rng, plan, pose, smear)
    lit = sheet_radiance(paper, height, smear, of, light, pose.eye.astype(np.float32))
    fine = (
        TABLE_PX_PER_MM if plan.flaw != "too small" else TABLE_PX_PER_MM / 4
    )  # from far off, much table is seen
    bench = table(rng, (1800, 1800), fine)
    bench = table_radiance(bench, fine, plan.page_mm, light)
    scale = float(_px_per_mm(pose))
    light_in = _seen(pose, lit.radiance, height, (bench, fine), scale)
    phone = _phone(rng, plan, light_in, lit, scale)
    light_in *= vignette(plan.size, rng.uniform(0.02, 0.16))[..., None]
    truth: dict[str, object] = {
        "usable": plan.flaw is None,
        "reason": plan.flaw,
        "verdict": "none" if plan.flaw == "no film" else verdict_of(measured["cov"]),
        "kind": plan.kind,
        "shade": plan.shade,
        "sheet": plan.page or "plain",
        "px_per_mm": scale,
        "glare_share": float((lit.gloss[lit.film] > 0.25).mean()) if lit.film.any() else 0.0,
        "film_in_frame": _in_frame(pose, lit.film),
        "defocus_px": phone.defocus,
        "size": list(plan.size),
        "tilt_deg": float(np.degrees(np.arccos(-pose.forward[2]))),
        "lamps": len(light.lamps),
        "warm": bool(light.lamps[0].colour[2] < 0.6 * light.lamps[0].colour[0]),
        "truth_px_per_mm": 4.0,
        "relief": smear.relief,
        **measured,
    }
    return developed(light_in, phone, rng), truth


def _smear_wanted(plan: Plan, share: float) -> tuple[Smear, dict[str, float | None]]:
    """A smear whose truth is of the class that was wanted; a few draws are enough."""
    for draw in range(12):
        rng = np.random.default_rng([plan.seed, 3, draw])
        if plan.flaw == "no film":
            blank = np.zeros([round(side * PX_PER_MM) for side in plan.page_mm[::-1]], np.float32)
            return Smear(blank, blank, 0.0), mixing(blank, blank)
        smear = smeared(rng, plan.page_mm, plan.kind, plan.cov, share)
        measured = mixing(smear.fraction, smear.thickness)
        if (smear.thickness > 0.04).sum() < 1200 * PX_PER_MM**2:
            continue
        if verdict_of(measured["cov"]) == plan.wanted:
            break
    return smear, measured


def _pose(rng: np.random.Generator, plan: Plan, smear: Smear) -> Pose:
    film = _points(smear.thickness > 0.01) if plan.flaw != "no film" else np.array([[-40.0, -40], [40, 40]])
    half = np.array(plan.page_mm) / 2
    subject = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    fill, offset = rng.uniform(0.8, 0.98), (float(rng.uniform(-0.01, 0.01)), float(rng.uniform(-0.01, 0.01)))
    if plan.page is None and rng.random() < 0.5:
        subject, fill = film, rng.uniform(0.5, 0.78)
    landscape = (np.ptp(subject[:, 0]) >= np.ptp(subject[:, 1])) == (plan.size[0] >= plan.size[1])
    roll = np.radians(rng.choice([0, 180]) + (0 if landscape else 90) + rng.normal(0, 6))
    if rng.random() < 0.2 and max(plan.size) >= 1600:
        roll = rng.uniform(0, 2 * np.pi)
    tilt = np.radians(abs(rng.normal(0, 11)))
    tilt = min(tilt, np.radians(30))
    if plan.flaw == "cut off":
        subject, fill = film, rng.uniform(0.7, 0.95)
        side, share = rng.choice([-1, 1]), rng.uniform(0.45, 0.6)
        offset = (side * share, 0.0) if rng.random() < 0.5 else (0.0, side * share)
    elif plan.flaw == "no paper":
        subject, fill = film * 0.5 + film.mean(axis=0) * 0.5, rng.uniform(1.15, 1.5)
    elif plan.flaw == "too small":
        fill = rng.uniform(0.16, 0.24) * 1000 / max(plan.size)
    elif plan.page is None and plan.size[0] > 1200 and rng.random() < 0.15:
        offset = (float(rng.uniform(-0.06, 0.06)), float(rng.uniform(-0.06, 0.06)))
    bend, heading = rng.uniform(-0.03, 0.03), rng.uniform(0, 2 * np.pi)
    pose = held(tilt, heading, float(roll), bend, plan.size, subject, fill, offset)
    if (
        plan.flaw is None and _px_per_mm(pose) < LEAST_PX_PER_MM
    ):  # the operator goes nearer, and holds it straight
        roll = np.radians(0 if landscape else 90)
        pose = held(tilt / 2, heading, float(roll), bend, plan.size, subject, 0.99, offset)
    return pose


def _lighting(rng: np.random.Generator, plan: Plan, pose: Pose, smear: Smear) -> Lighting:
    """One or two lamps and the room. Usable photographs keep the lamps out of the film's mirror."""
    warm = rng.uniform(2700, 7500)
    mirror = np.array([-pose.eye[0], -pose.eye[1], pose.eye[2]]) / np.linalg.norm(pose.eye)
    lamps = []
    for number in range(int(rng.integers(1, 3))):
        far = np.exp(rng.uniform(np.log(350), np.log(2500)))
        for _ in range(200):
            up, round_ = np.cos(rng.uniform(np.radians(8), np.radians(62))), rng.uniform(0, 2 * np.pi)
            toward = np.array(
                [np.sqrt(1 - up * up) * np.cos(round_), np.sqrt(1 - up * up) * np.sin(round_), up]
            )
            if np.degrees(np.arccos(np.clip(toward @ mirror, -1, 1))) > 38:
                break
        if plan.flaw == "glare" and number == 0:
            far, toward = rng.uniform(900, 1800), _mirror_of(rng, pose, smear)
        strength = (1.0 if number == 0 else rng.uniform(0.15, 0.6)) * rng.uniform(0.8, 1.0)
        colour = kelvin(warm + (0 if number == 0 else rng.normal(0, 350))) * strength
        lamps.append(Lamp((far * toward).astype(np.float32), colour, float(far * rng.uniform(0.04, 0.25))))
    room = kelvin(np.clip(warm + rng.normal(0, 700), 2700, 7500)) * rng.uniform(0.12, 0.7)
    rough = rng.uniform(0.16, 0.34) if plan.flaw != "glare" else rng.uniform(0.10, 0.2)
    return Lighting(
        tuple(lamps), room.astype(np.float32), rng.uniform(0, 6.3), float(rough), _shade(rng, plan, smear)
    )


def _mirror_of(rng: np.random.Generator, pose: Pose, smear: Smear) -> FloatArray:
    """The direction of a lamp that the middle of one wing mirrors to the eye."""
    film = _points(smear.thickness > 0.05)
    wing = film[film[:, 0] * rng.choice([-1, 1]) > 0]
    at = np.append((wing if len(wing) else film).mean(axis=0), 0.0)
    out = at - pose.eye
    out = np.array([out[0], out[1], -out[2]]) / np.linalg.norm(out)
    return np.asarray(out, np.float32)


def _shade(rng: np.random.Generator, plan: Plan, smear: Smear) -> Shade | None:
    if plan.flaw == "hard shadow":
        at = _points(smear.thickness > 0.05)
        middle = at.mean(axis=0) + rng.normal(0, 6, 2)
        turn = rng.uniform(0, 180)
        off = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))]) * 75 * rng.choice([-1, 1])
        middle = middle + off
        return Shade(
            ((middle[0], middle[1]), (150.0, 260.0), turn), rng.uniform(0.8, 2.0), rng.uniform(0.75, 0.95)
        )
    if rng.random() < 0.35:  # the phone's or the hand's own shadow, soft
        place = (float(rng.normal(0, 70)), float(rng.normal(0, 70)))
        size = (float(rng.uniform(60, 110)), float(rng.uniform(120, 260)))
        return Shade((place, size, rng.uniform(0, 180)), rng.uniform(25, 80), rng.uniform(0.15, 0.5))
    return None


def _phone(rng: np.random.Generator, plan: Plan, light_in: FloatArray, lit: Lit, scale: float) -> Phone:
    """A phone's exposure for this scene and its processing."""
    green = lit.radiance[::16, ::16, 1][~lit.film[::16, ::16]]
    white = float(np.percentile(green, 60))
    cast = np.array([np.median(lit.radiance[::16, ::16, i][~lit.film[::16, ::16]]) for i in range(3)])
    balance = (cast[1] / cast) ** rng.uniform(0.7, 1.0)
    ev = rng.uniform(-0.7, 0.7)
    gain = 0.55 * 2**ev / white
    gain = min(gain, 0.95 / float(np.percentile(green * balance.max(), 99)))
    if plan.flaw == "too bright":
        gain *= 2 ** rng.uniform(2.2, 3.0)
    if plan.flaw == "too dark":
        gain *= 2 ** -rng.uniform(4.5, 6.0)
    phone = Phone(
        defocus=float(rng.uniform(0, min(1.6, 0.22 * scale))),
        shake=(float(rng.uniform(0, min(2.0, 0.25 * scale))), float(rng.uniform(0, 180))),
        chroma=float(rng.uniform(0.8, 1.8)),
        full_well=float(rng.uniform(900, 6000)),
        read=float(rng.uniform(1.5, 5)),
        white_balance=balance.astype(np.float32),
        gain=float(gain),
        denoise=float(rng.uniform(0, 0.9)),
        sharpen=float(rng.uniform(0, 1.1)),
        local=float(rng.choice([0.0, rng.uniform(0.02, 0.12)])),
        contrast=float(rng.uniform(0, 0.22)),
        quality=int(rng.integers(70, 96)),
        orientation=int(rng.choice([1, 1, 3, 6, 8])),
    )
    if plan.flaw == "out of focus":
        phone = replace(phone, defocus=float(rng.uniform(1.3, 2.6) * scale))
    if plan.flaw == "motion":
        phone = replace(phone, shake=(float(rng.uniform(3.5, 8.0) * scale), phone.shake[1]))
    return phone


def _seen(
    pose: Pose, sheet: FloatArray, height: FloatArray, bench: tuple[FloatArray, float], scale: float
) -> FloatArray:
    """(H, W, 3) radiance at each pixel of the picture: the sheet, around it the bench (and its px/mm)."""
    reduce = min(1.0, max(1.5 * scale / PX_PER_MM, 0.1))
    small = (
        cv2.resize(sheet, None, fx=reduce, fy=reduce, interpolation=cv2.INTER_AREA) if reduce < 1 else sheet
    )
    x, y = ground_of(pose, height, PX_PER_MM)
    fx, fy = small.shape[1] / height.shape[1] * PX_PER_MM, small.shape[0] / height.shape[0] * PX_PER_MM
    at_x, at_y = x * fx + (small.shape[1] / 2 - 0.5), y * fy + (small.shape[0] / 2 - 0.5)
    cover = cv2.remap(
        np.ones(small.shape[:2], np.float32), at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    page = cv2.remap(small, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    at_x = x * bench[1] + bench[0].shape[1] / 2
    at_y = y * bench[1] + bench[0].shape[0] / 2
    around = cv2.remap(bench[0], at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(around + cover[..., None] * (page - around), np.float32)


def _px_per_mm(pose: Pose) -> float:
    """At the middle of the frame's subject, across the direction of the tilt."""
    return pose.focal / abs(float(pose.eye[2])) * abs(float(pose.forward[2]))


def _points(mask: np.ndarray) -> FloatArray:
    """(N, 2) [mm] a few hundred points of a mask's outline and inside."""
    rows, columns = np.nonzero(mask[::12, ::12])
    place = np.column_stack([columns * 12 + 6 - mask.shape[1] / 2, rows * 12 + 6 - mask.shape[0] / 2])
    return np.asarray(place / PX_PER_MM, np.float32)


def _in_frame(pose: Pose, film: np.ndarray) -> float:
    at = _points(film)
    if len(at) == 0:
        return 0.0
    seen = seen_at(pose, np.column_stack([at, np.zeros(len(at))]))
    inside = (seen > 0).all(axis=1) & (seen[:, 0] < pose.size[0]) & (seen[:, 1] < pose.size[1])
    return float(inside.mean())


def _near(smear: Smear, mm: float) -> FloatArray:
    """(H, W) 1 on the film and within `mm` of it."""
    small = cv2.resize(
        (smear.thickness > 0).astype(np.float32), None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA
    )
    wide = cv2.dilate(small, np.ones((int(2 * mm) + 1,) * 2, np.uint8))
    size = (smear.thickness.shape[1], smear.thickness.shape[0])
    return np.asarray((cv2.resize(wide, size, interpolation=cv2.INTER_LINEAR) > 0).astype(np.float32))
