"""What does a gateway publish? Sparkplug B payloads as the protobuf library writes them."""

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

_TYPES = {
    "uint32": 13,
    "uint64": 4,
    "bool": 8,
    "string": 9,
    "float": 2,
    "double": 1,
    "bytes": 12,
    "message": 11,
}
# Eclipse Sparkplug specification 3.0, 6.4: number, name and type of each field that is used here.
_METRIC = (
    *((1, "name", "string"), (2, "alias", "uint64"), (3, "timestamp", "uint64"), (4, "datatype", "uint32")),
    *((5, "is_historical", "bool"), (6, "is_transient", "bool"), (7, "is_null", "bool")),
    *((10, "int_value", "uint32"), (11, "long_value", "uint64"), (12, "float_value", "float")),
    *((13, "double_value", "double"), (14, "boolean_value", "bool"), (15, "string_value", "string")),
    (16, "bytes_value", "bytes"),
)
_PAYLOAD = (
    *((1, "timestamp", "uint64"), (2, "metrics", "message"), (3, "seq", "uint64"), (4, "uuid", "string")),
    (5, "body", "bytes"),
)


def _classes():
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug_b_test.proto", package="t", syntax="proto2")
    for name, fields in (("Metric", _METRIC), ("Payload", _PAYLOAD)):
        message = file.message_type.add(name=name)
        for number, field, kind in fields:
            message.field.add(
                name=field,
                number=number,
                type=_TYPES[kind],
                label=3 if kind == "message" else 1,
                type_name=".t.Metric" if kind == "message" else None,
            )
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return [
        message_factory.GetMessageClass(pool.FindMessageTypeByName(f"t.{n}")) for n in ("Metric", "Payload")
    ]


Metric, Payload = _classes()


def payload(*metrics: dict, **head: int) -> bytes:
    return Payload(metrics=[Metric(**one) for one in metrics], **head).SerializeToString()
