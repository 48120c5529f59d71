"""Who may say what on the broker? Mosquitto's access list: an edge as itself, receipts by the pipeline alone.

What no line allows is refused. Mosquitto drops a refused MQTT 3.1.1 message without a word to its sender, so
an edge that is set up wrongly sees that no receipt comes.
"""

from collections.abc import Iterable, Sequence

from edge.sources.sparkplug import NAMESPACE
from edge.wire import ROOT, UPWARD


def access_list(
    site: str,
    edges: Iterable[str],
    pipeline: str,
    watchers: Iterable[str] = (),
    gateways: Sequence[str] = (),
) -> str:
    """The text of Mosquitto's acl_file.

    edges : users that are one edge (or foreign device) each, under the name in their topics
    pipeline : the user that lands; watchers : users that see how pumps stand, and no more
    gateways : users that are one Sparkplug node each, under the name in their topics
    """
    upward = [topic.removeprefix(f"{ROOT}/+/+/") for topic in UPWARD]
    mine = f"{ROOT}/{site}"
    blocks = [
        [
            f"user {pipeline}",
            *(f"topic read {mine}/+/{topic}" for topic in upward),
            # Written only: whoever publishes the truth has no need to hear it from others.
            f"topic write {mine}/+/receipt/+",
            f"topic write {mine}/+/release",
        ]
    ]
    for edge in edges:
        own = f"{mine}/{edge}"
        blocks.append(
            [
                f"user {edge}",
                *(f"topic write {own}/{topic}" for topic in upward),
                f"topic read {own}/receipt/+",
                f"topic read {mine}/+/release",
                *([f"topic read {NAMESPACE}/#"] if gateways else []),
                # An edge asks a gateway for its births where it has missed something.
                *(f"topic write {NAMESPACE}/+/NCMD/{gateway}" for gateway in gateways),
            ]
        )
    blocks += [
        [
            f"user {gateway}",
            f"topic write {NAMESPACE}/+/+/{gateway}/#",
            f"topic read {NAMESPACE}/+/NCMD/{gateway}",
        ]
        for gateway in gateways
    ]
    blocks += [[f"user {watcher}", f"topic read {mine}/+/release"] for watcher in watchers]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"
