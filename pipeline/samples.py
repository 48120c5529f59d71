"""Where do the samples of the invented shop lie? In the package once installed, else in the checkout."""

from pathlib import Path
from typing import NamedTuple

from edge.errors import InputError


class Samples(NamedTuple):
    """streams : gauge files, records and the site's settings; images : photographs."""

    streams: Path
    images: Path


def find_samples() -> Samples:
    """The two folders. Raises InputError if this installation carries none."""
    package = Path(__file__).parent
    installed, checkout = package / "samples", package.parent
    for samples in (
        Samples(installed / "streams", installed / "images"),
        Samples(checkout / "sample_streams", checkout / "sample_images"),
    ):
        if (samples.streams / "site.toml").is_file() and samples.images.is_dir():
            return samples
    raise InputError("no samples", where=str(package), do="install from a checkout that has sample_streams/")
