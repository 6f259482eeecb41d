"""Find the fewest rolls by trying every way to put the pieces on rolls."""

from __future__ import annotations


def fewest_rolls(pieces: list[int], stock: int) -> int:
    """Every assignment, piece by piece; a further roll is opened only after the ones before it."""
    best = len(pieces)

    def put(at: int, rooms: list[int]) -> None:
        nonlocal best
        if len(rooms) >= best:
            return
        if at == len(pieces):
            best = len(rooms)
            return
        for roll in range(len(rooms)):
            if rooms[roll] >= pieces[at]:
                rooms[roll] -= pieces[at]
                put(at + 1, rooms)
                rooms[roll] += pieces[at]
        put(at + 1, [*rooms, stock - pieces[at]])

    put(0, [])
    return best
