"""What would a phone's photograph of a smear test look like, and what is true of it?

render() makes one photograph and its truth from a spec and a seed; write_photo() stores it as a phone does.
Run as `python -m tests.shop.photographs sample_images` to make that folder anew, the same bytes each time.
"""

import io
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.derive.smear.sheet import PAGE_MM, draw_sheet
from tests.shop.camera import Pose, blur_px, expose, page_points, place
from tests.shop.film import HIDING_MM, PX_PER_MM, Film, grade, press
from tests.shop.light import shade
from tests.shop.noise import Field
from tests.shop.nuisances import Draw, random_spec
from tests.shop.photo import (
    BLUR_MM,
    CLIPPED_LEVEL,
    COARSE_PX_PER_MM,
    CUT_SHARE,
    DARK_LEVEL,
    GLARE_LEVEL,
    GLARE_SHARE,
    SHADOW_DEPTH,
    PhotoSpec,
    Truth,
    field_spots,
    framed_points,
)
from tests.shop.pigment import MATERIALS, Material
from tests.shop.sample_photos import samples
from tests.shop.scene import PaperSpec, Sheet, lay_sheet, paper_height, table

__all__ = ["Draw", "PhotoSpec", "Truth", "jpeg_bytes", "random_spec", "render", "write_photo"]


def render(spec: PhotoSpec, seed: int) -> tuple[NDArray[np.uint8], Truth]:
    """The photograph, (H, W, 3) sRGB as shown upright, and its truth. The same seed gives the same pixels."""
    streams = [np.random.default_rng([seed, n]) for n in range(6)]
    size = PAGE_MM[spec.page]
    film = press(streams[0], spec.film)
    pose = place(spec.camera, framed_points(spec))
    scale = pose.px_per_mm()
    grid = float(np.clip(1.25 * scale, 4.0, 10.0))
    printed = None if spec.sheet is None else draw_sheet(spec.page, 25.4 * grid, *spec.sheet)
    notes = tuple((*spot, text) for spot, text in zip(field_spots(spec), spec.notes, strict=True) if text)
    paper = PaperSpec(size, spec.fold, spec.buckle, printed, notes, spec.smudges)
    material = _delivered(spec)
    sheet = lay_sheet(streams[1], paper, film, material, grid, spec.film.offset)
    height, step = paper_height(streams[2], paper)
    x, y = page_points(pose, height, step, size)
    reflectance, slope, cover, rough, glossy = _surface(
        streams[3], spec, sheet, (x, y), (height, step), scale
    )
    eye = (float(pose.eye[0]), float(pose.eye[1]), float(pose.eye[2]))
    lit = shade(spec.light, (x, y), eye, size, reflectance, slope, rough, glossy)
    white = _white(lit.radiance, cover, (x, y), size)
    picture = expose(streams[4], lit.radiance, spec.camera, white)
    return picture, _truth(spec, film, pose, cover, lit.gloss / float(white[1]), lit.shadow, height)


def _delivered(spec: PhotoSpec) -> Material:
    """The material as the pump delivered it."""
    specified = MATERIALS[spec.material]
    return replace(specified, fraction=specified.fraction * spec.ratio)


def _surface(
    rng: np.random.Generator,
    spec: PhotoSpec,
    sheet: Sheet,
    at: tuple[Field, Field],
    paper: tuple[Field, float],
    scale: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32], Field, Field, Field]:
    """What every pixel sees: reflectance, slope, share of film, roughness, share that mirrors."""
    x, y = at
    width, length = sheet.size
    column = np.float32((x + width / 2) * sheet.px_per_mm - 0.5)
    row = np.float32((y + length / 2) * sheet.px_per_mm - 0.5)

    def seen(layer: NDArray[np.float32]) -> NDArray[np.float32]:
        return cv2.remap(layer, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    # Slopes that one pixel averages over make it look rougher, not flatter.
    lost = cv2.blur(sheet.slope**2, (3, 3)) - cv2.blur(sheet.slope, (3, 3)) ** 2
    rough = np.sqrt(spec.roughness**2 + seen(np.float32(lost.sum(axis=2))))
    reflectance, slope, cover = seen(sheet.reflectance), seen(sheet.slope), seen(sheet.film)
    height, step = paper
    across = (np.float32((x + width / 2) / step), np.float32((y + length / 2) / step))
    for axis in (1, 0):
        steep = np.float32(np.gradient(height, step, axis=axis))
        slope[..., 1 - axis] += cv2.remap(steep, *across, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    outside = np.maximum(np.abs(x) - width / 2, np.abs(y) - length / 2)
    on_paper = np.clip(0.5 - outside * scale, 0.0, 1.0)
    below = _table(rng, spec, at, outside)
    reflectance = reflectance * on_paper[..., None] + below * (1.0 - on_paper[..., None])
    slope *= on_paper[..., None]
    cover *= on_paper
    sheen = {"wood": 0.25, "steel": 0.6, "mat": 0.1}[spec.ground]
    glossy = cover + sheen * (1.0 - on_paper)
    rough = np.where(on_paper > 0.5, rough, np.float32(0.45))
    return reflectance, slope, cover, np.float32(rough), np.float32(glossy)


def _table(
    rng: np.random.Generator, spec: PhotoSpec, at: tuple[Field, Field], outside: Field
) -> NDArray[np.float32]:
    """The table around the paper, with the paper's own shadow on it."""
    fine = 3.0
    x, y = at
    left, top = float(x.min()), float(y.min())
    span = min(float(x.max()) - left, 900.0), min(float(y.max()) - top, 900.0)
    shape = int(span[1] * fine) + 2, int(span[0] * fine) + 2
    surface = np.float32(table(rng, spec.ground, shape, fine))
    seen = cv2.remap(
        surface,
        (x - left) * np.float32(fine),
        (y - top) * np.float32(fine),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    rise = 1.5 + 60.0 * max(spec.fold)
    return seen * (1.0 - 0.55 * np.exp(-np.maximum(outside, 0.0) / rise))[..., None]


def _white(
    radiance: NDArray[np.float32], cover: Field, at: tuple[Field, Field], size: tuple[float, float]
) -> NDArray[np.float32]:
    """Light from the bare paper, (3,): what all but its brightest fifth stays below, as a phone meters."""
    x, y = at
    bare = (cover < 0.01) & (np.abs(x) < size[0] / 2) & (np.abs(y) < size[1] / 2)
    seen = radiance[bare][::7] if bare.sum() > 7000 else radiance.reshape(-1, 3)[::7]
    return np.float32(np.quantile(seen, 0.8, axis=0))


def _truth(
    spec: PhotoSpec, film: Film, pose: Pose, cover: Field, gloss: Field, shadow: Field, height: Field
) -> Truth:
    """Truth of a rendered photograph; gloss is relative to white paper, height the paper's."""
    scale = pose.px_per_mm()
    on_film = cover > 0.5
    area = max(int(on_film.sum()), 1)
    blur = blur_px(spec.camera) / scale
    glare = float(((gloss > GLARE_LEVEL) & on_film).sum() / area)
    dark = float(((shadow > SHADOW_DEPTH) & on_film).sum() / area)
    cut = _cut_share(spec, film, pose)
    why_not = [
        *(["blur"] if blur > BLUR_MM else []),
        *(["glare"] if glare > GLARE_SHARE else []),
        *(["cut_off"] if cut > CUT_SHARE else []),
        *(["too_small"] if scale < COARSE_PX_PER_MM else []),
        *(["dark"] if spec.camera.exposure < DARK_LEVEL else []),
        *(["overexposed"] if spec.camera.exposure > CLIPPED_LEVEL else []),
        *(["shadow"] if 0.05 < dark < 0.95 else []),
    ]
    width, length = PAGE_MM[spec.page]
    x, y = width / 2, length / 2
    rise = [float(height[row, column]) for row, column in ((0, 0), (0, -1), (-1, -1), (-1, 0))]
    corners = [(-x, -y, rise[0]), (x, -y, rise[1]), (x, y, rise[2]), (-x, y, rise[3])]
    ends = [(0.0, -y, spec.buckle), (0.0, y, spec.buckle)]
    wings = (film.left, film.right)
    return Truth(
        mix=grade(film.cov),
        cov=round(film.cov, 4),
        cov_full=round(film.cov_full, 4),
        mean_fraction=round(_delivered(spec).fraction, 5),
        striation_mm=film.striation_mm,
        usable=not why_not,
        why_not=tuple(why_not),
        blur_mm=round(blur, 3),
        glare_share=round(glare, 4),
        cut_share=round(cut, 4),
        shadow_share=round(dark, 4),
        paper_level=round(spec.camera.exposure, 3),
        material=spec.material,
        sheet=spec.sheet is not None,
        page=spec.page,
        light=spec.light_name,
        ground=spec.ground,
        tilt_deg=round(float(np.degrees(spec.camera.tilt)), 1),
        px_per_mm=round(scale, 2),
        film_mm2=round(float(sum((wing.thickness > HIDING_MM).sum() for wing in wings)) / PX_PER_MM**2, 0),
        fold_px=_points(pose, ends),
        page_px=_points(pose, corners),
    )


def _points(pose: Pose, points: list[tuple[float, float, float]]) -> tuple[tuple[float, float], ...]:
    return tuple((round(float(u), 1), round(float(v), 1)) for u, v in pose.project(np.array(points, float)))


def _cut_share(spec: PhotoSpec, film: Film, pose: Pose) -> float:
    """Share of the film's area that lies outside the picture."""
    inside = total = 0
    for side, wing in ((-1.0, film.left), (1.0, film.right)):
        rows, columns = np.nonzero(wing.thickness[::8, ::8] > HIDING_MM)
        x = side * columns * 8 / PX_PER_MM
        y = (rows * 8 - wing.thickness.shape[0] / 2) / PX_PER_MM + spec.film.offset
        spots = pose.project(np.column_stack([x, y, np.zeros_like(x)]))
        total += len(spots)
        inside += int(((spots >= 0) & (spots < np.array(pose.size))).all(axis=1).sum())
    return 1.0 - inside / max(total, 1)


def jpeg_bytes(image: NDArray[np.uint8], spec: PhotoSpec) -> bytes:
    """The photograph as a phone stores it: JPEG with EXIF, the pixels turned if the orientation says so."""
    turned = np.rot90(image, {1: 0, 3: 2, 6: 1, 8: 3}[spec.orientation])
    exif = Image.Exif()
    exif[0x0112] = spec.orientation
    if spec.taken_at is not None:
        details = exif.get_ifd(0x8769)
        moment = spec.taken_at.strftime("%Y:%m:%d %H:%M:%S")
        offset = spec.taken_at.strftime("%z")
        exif[0x0132] = moment
        details[0x9003] = details[0x9004] = moment
        details[0x9010] = details[0x9011] = details[0x9012] = f"{offset[:3]}:{offset[3:5]}"
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(turned)).save(
        buffer, "JPEG", quality=spec.jpeg, subsampling="4:2:0", exif=exif
    )
    return buffer.getvalue()


def write_photo(path: Path, image: NDArray[np.uint8], spec: PhotoSpec) -> None:
    """Store a rendered photograph at `path`."""
    path.write_bytes(jpeg_bytes(image, spec))


def main(folder: Path) -> None:
    """Make the sample photographs, truth.json anew, telling each as it is done."""
    folder.mkdir(parents=True, exist_ok=True)
    truths = []
    for name, (spec, seed) in samples().items():
        image, truth = render(spec, seed)
        write_photo(folder / name, image, spec)
        taken = spec.taken_at.isoformat() if spec.taken_at else None
        truths.append(f"{json.dumps(name)}: {json.dumps({**asdict(truth), 'taken_at': taken})}")
        size = (folder / name).stat().st_size // 1000
        state = ", ".join(truth.why_not) or "usable"
        print(f"{name:28} {truth.mix:14} CoV {truth.cov:.3f}  {state:10} {size} kB", flush=True)
    (folder / "truth.json").write_text("{\n" + ",\n".join(truths) + "\n}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
