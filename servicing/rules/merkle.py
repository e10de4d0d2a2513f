"""Merkle trees over bytes: root, audit path and its check, as in RFC 9162 section 2.1 (SHA-256; the same as RFC 6962's)."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256

LEAF_PREFIX = b"\x00"
NODE_PREFIX = b"\x01"


def leaf_hash(entry: bytes) -> bytes:
    """SHA-256 of 0x00 and the entry. The prefixes differ, so no node can be passed off as an entry."""
    return sha256(LEAF_PREFIX + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    return sha256(NODE_PREFIX + left + right).digest()


def _parents(level: Sequence[bytes]) -> list[bytes]:
    """The level above: pairs joined, a last one without a partner taken up as it is.

    From the leaves up this is the RFC's tree, which splits at the largest power of two below the number of leaves.
    """
    above = [node_hash(level[n], level[n + 1]) for n in range(0, len(level) - 1, 2)]
    return [*above, level[-1]] if len(level) % 2 else above


def root_of(leaves: Sequence[bytes]) -> bytes:
    """The tree's hash over leaf hashes (RFC 9162 section 2.1.1); SHA-256 of nothing for no leaf."""
    if not leaves:
        return sha256(b"").digest()
    level = list(leaves)
    while len(level) > 1:
        level = _parents(level)
    return level[0]


def audit_path(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The hashes that lead from the leaf at an index to the root, the nearest first (RFC 9162 section 2.1.3.1).

    Raises IndexError for an index outside the tree.
    """
    if not 0 <= index < len(leaves):
        raise IndexError(f"There is no leaf {index} among {len(leaves)}.")
    path, level = [], list(leaves)
    while len(level) > 1:
        partner = index ^ 1
        if partner < len(level):
            path.append(level[partner])
        level, index = _parents(level), index // 2
    return path


def is_included(leaf: bytes, *, index: int, count: int, path: Sequence[bytes], root: bytes) -> bool:
    """Whether the path leads from the leaf hash at an index of ``count`` to the root (RFC 9162 section 2.1.3.2)."""
    if not 0 <= index < count:
        return False
    at, last, found = index, count - 1, leaf
    for step in path:
        if last == 0:
            return False
        if at % 2 or at == last:
            found = node_hash(step, found)
            while at % 2 == 0 and at:
                at, last = at // 2, last // 2
        else:
            found = node_hash(found, step)
        at, last = at // 2, last // 2
    return last == 0 and found == root
