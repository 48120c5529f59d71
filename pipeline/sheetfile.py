"""How does the smear sheet get to the printer? A PDF of exact size, or a PNG with its resolution."""

import io
import tempfile
from pathlib import Path

from PIL import Image

from pipeline.derive.smear.sheet import Page, draw_sheet, sheet_geometry


def sheet_file(page: Page, dpi: int, kind: str, sheet_no: str = "", site: str = "", pump: str = "") -> bytes:
    """Bytes of the sheet. kind : 'pdf' or 'png'. dpi : [pixels an inch]."""
    image = Image.fromarray(draw_sheet(page, dpi, sheet_no, site, pump))
    png = io.BytesIO()
    image.save(png, "PNG", dpi=(dpi, dpi), optimize=True)
    return png.getvalue() if kind == "png" else _pdf(page, png.getvalue(), sheet_no)


def _pdf(page: Page, png: bytes, sheet_no: str) -> bytes:
    import typst

    geometry = sheet_geometry(page)
    source = (
        f'#set document(title: "Smear test sheet {sheet_no}".trim())\n'
        f"#set page(width: {geometry.width}mm, height: {geometry.height}mm, margin: 0mm)\n"
        f'#image("sheet.png", width: {geometry.width}mm, height: {geometry.height}mm, '
        f'alt: "Smear test sheet: markers, fold line, grey steps, scale bar, fields")\n'
    )
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "sheet.png").write_bytes(png)
        typ = Path(folder) / "sheet.typ"
        typ.write_text(source, encoding="utf-8")
        return bytes(typst.compile(str(typ), format="pdf"))
