"""The brokers that what is said of one must hold for."""

import pytest

from pipeline.land.broker import embedded_broker
from tests.running import mosquitto


@pytest.fixture(params=["embedded", pytest.param("mosquitto", marks=pytest.mark.mosquitto)])
def broker(request, tmp_path):
    if request.param == "embedded":
        with embedded_broker(port=0) as url:
            yield url
    else:
        with mosquitto(tmp_path) as url:
            yield url
