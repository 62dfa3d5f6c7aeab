"""A network without the parts whose output nobody asks for.

The landmark network also draws the person's outline, at four times the width of anything else in it: a third of the smaller
network's time, for an output that nothing here uses. Operators are taken out of the file whole and nothing is changed in
those that stay, so what is left gives the same numbers to the bit (``tests/pose/test_shortened.py``).
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Final

_FILE_MARK: Final = b"TFL3"
"""Of TensorFlow Lite's files, at bytes 4 to 8"""


def shortened(content: bytes, used: Collection[str]) -> bytes:
    """Return a TensorFlow Lite file that gives only these of its outputs, by name.

    Parameters
    ----------
    content
        The file; its first graph is the network.
    used
        Names of outputs that are to stay.

    """
    # heavy to load, and needed once for each recording
    import flatbuffers
    from ai_edge_litert import schema_py_generated as schema

    model = schema.ModelT.InitFromObj(schema.Model.GetRootAsModel(content, 0))
    graph = model.subgraphs[0]
    graph.outputs = [one for one in graph.outputs if graph.tensors[one].name.decode() in used]
    graph.operators = _needed(graph.operators, graph.outputs)
    # signatures name the outputs once more; without them the graph's own list is what counts
    model.signatureDefs = None
    builder = flatbuffers.Builder(len(content))
    builder.Finish(model.Pack(builder), _FILE_MARK)
    return bytes(builder.Output())


def _needed(operators: list[Any], outputs: Collection[int]) -> list[Any]:
    """Return those operators, in their order, that something asked for depends on."""
    asked, needed = set(outputs), []
    # a file lists operators so that each comes after those whose results it takes
    for operator in reversed(operators):
        if asked.intersection(operator.outputs):
            needed.append(operator)
            asked.update(operator.inputs)
    return needed[::-1]
