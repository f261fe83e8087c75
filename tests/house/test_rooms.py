"""The graph of the imports: the number of rooms and floors, without a circle.

A room is a folder or a module directly below `evenwall`, and each of the other two packages; the
face of `evenwall` itself is one too. The floor of a room is the length of the longest way down from
it. Imports for the type checker alone count like the others.
"""

from __future__ import annotations

from functools import cache

import grimp
import networkx as nx

PACKAGES = ("evenwall", "evenwall_bridge", "evenwall_web")
MOST_ROOMS, MOST_FLOORS = 22, 10


def room_of(module: str) -> str:
    """Return the room that a module is in."""
    package, *rest = module.split(".")
    return rest[0] if package == "evenwall" and rest else package


@cache
def modules() -> nx.DiGraph:
    """Return the modules, with an arrow from each to every one that it imports."""
    found = grimp.build_graph(*PACKAGES, cache_dir=None)
    drawing = nx.DiGraph()
    drawing.add_nodes_from(found.modules)
    for module in found.modules:
        drawing.add_edges_from(
            (module, to) for to in found.find_modules_directly_imported_by(module)
        )
    return drawing


def rooms() -> nx.DiGraph:
    """Return the rooms, with an arrow from each to every one that it needs."""
    drawing = nx.DiGraph()
    drawing.add_nodes_from(room_of(module) for module in modules())
    for one, other in modules().edges:
        if room_of(one) != room_of(other):
            drawing.add_edge(room_of(one), room_of(other))
    return drawing


def test_the_house_has_few_rooms_on_few_floors() -> None:
    drawing = rooms()
    assert len(drawing) <= MOST_ROOMS, sorted(drawing)
    assert nx.is_directed_acyclic_graph(drawing), list(nx.simple_cycles(drawing))
    way_down = nx.dag_longest_path(drawing)
    assert len(way_down) <= MOST_FLOORS, " -> ".join(way_down)


def test_no_two_modules_need_each_other() -> None:
    """Not even by an import within a function."""
    circles = [sorted(c) for c in nx.strongly_connected_components(modules()) if len(c) > 1]
    assert circles == []


def test_numerics_stand_on_the_ground() -> None:
    """The numerics need nothing of the house but its errors and units."""
    assert set(rooms().successors("numerics")) <= {"errors", "units"}


def test_a_circle_would_be_found() -> None:
    drawing = rooms()
    drawing.add_edge("numerics", "run")
    assert not nx.is_directed_acyclic_graph(drawing)
