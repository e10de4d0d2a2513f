"""Merkle trees against the reference vectors of Certificate Transparency and against the RFC's own recursive words.

Vectors: the certificate-transparency project's ``merkle_tree_test.cc`` (its eight inputs, roots and audit paths), as
many other implementations quote them.
"""

from __future__ import annotations

import hashlib

import pytest

from servicing.rules.merkle import audit_path, is_included, leaf_hash, root_of

INPUTS = [
    bytes.fromhex(text)
    for text in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
# Index, number of leaves, path.
PATHS = [
    (0, 1, []),
    (
        0,
        8,
        [
            "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
        ],
    ),
    (
        5,
        8,
        [
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        ],
    ),
    (2, 3, ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]),
    (
        1,
        5,
        [
            "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        ],
    ),
]
LEAVES = [leaf_hash(entry) for entry in INPUTS]


def in_the_words_of_the_rfc(entries: list[bytes]) -> bytes:
    """RFC 6962 section 2.1, recursively; for one entry and more."""
    if len(entries) == 1:
        return hashlib.sha256(b"\x00" + entries[0]).digest()
    split = 1 << (len(entries) - 1).bit_length() - 1
    left, right = in_the_words_of_the_rfc(entries[:split]), in_the_words_of_the_rfc(entries[split:])
    return hashlib.sha256(b"\x01" + left + right).digest()


def test_the_roots_are_the_reference_vectors():
    assert [root_of(LEAVES[:n]).hex() for n in range(1, 9)] == ROOTS


def test_the_root_of_nothing_is_the_hash_of_nothing():
    assert root_of([]) == hashlib.sha256(b"").digest()


@pytest.mark.parametrize(("index", "count", "path"), PATHS)
def test_the_audit_paths_are_the_reference_vectors(index, count, path):
    assert [step.hex() for step in audit_path(LEAVES[:count], index)] == path


def test_trees_of_every_size_are_those_of_the_rfcs_words():
    entries = [n.to_bytes(2, "big") for n in range(1_025)]
    leaves = [leaf_hash(entry) for entry in entries]
    sizes = [*range(1, 70), 127, 128, 129, 1_000, 1_023, 1_024, 1_025]

    assert [root_of(leaves[:n]) for n in sizes] == [in_the_words_of_the_rfc(entries[:n]) for n in sizes]


def test_every_leaf_of_every_tree_is_proven_by_its_path_and_by_no_other_place():
    leaves = [leaf_hash(bytes([n])) for n in range(40)]
    for count in range(1, 41):
        root = root_of(leaves[:count])
        for index in range(count):
            path = audit_path(leaves[:count], index)
            places = [
                at
                for at in range(-1, count + 1)
                if is_included(leaves[index], index=at, count=count, path=path, root=root)
            ]
            assert places == [index]


def test_a_falsified_proof_is_refused():
    root = root_of(LEAVES)
    path = audit_path(LEAVES, 5)
    wrong = bytes(32)

    def holds(leaf=LEAVES[5], index=5, count=8, path=path, root=root):
        return is_included(leaf, index=index, count=count, path=path, root=root)

    assert holds()
    assert not holds(leaf=LEAVES[4])
    assert not holds(count=5)
    assert not holds(count=16)
    assert not holds(path=[*path, wrong])
    assert not holds(path=path[:-1])
    assert not holds(path=[*path[:1], wrong, *path[2:]])
    assert not holds(path=[])
    assert not holds(root=wrong)
    # A node is no entry: its two children as 64 bytes of an entry give another hash.
    assert not is_included(
        leaf_hash(LEAVES[0] + LEAVES[1]), index=0, count=4, path=audit_path(LEAVES, 0)[1:], root=root
    )


@pytest.mark.parametrize("index", [-1, 8])
def test_there_is_no_path_from_outside_the_tree(index):
    with pytest.raises(IndexError):
        audit_path(LEAVES, index)
