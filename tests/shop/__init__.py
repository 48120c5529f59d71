"""An invented shop: generators of its pressures, photographs and records, with the truth beside them.

Everything here is made up and stays in the demo and the tests; the pipeline never imports it.
"""
