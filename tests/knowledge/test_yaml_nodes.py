"""Every fault in a file is named with file:line:column, what stands there, and the mend."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from chatkey.knowledge.yaml_nodes import DEEPEST, LARGEST_BYTES, Entry, KnowledgeError, Problems, read_file

BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{old}'] * 9)}]\n" for old, name in zip("abcdefgh", "bcdefghi", strict=True)
)


def read(tmp_path: Path, raw: bytes | str) -> Entry:
    path = tmp_path / "knowledge" / "trees.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(raw.encode() if isinstance(raw, str) else raw)
    return read_file(path, path.parent)


def fault(tmp_path: Path, raw: bytes | str) -> tuple[str, str, str]:
    with pytest.raises(KnowledgeError) as caught:
        read(tmp_path, raw)
    where, what, mend = caught.value.args
    return where, what, mend


@pytest.mark.parametrize(
    ("raw", "where", "what", "mend"),
    [
        ("", "1:1", "is empty", "fill it"),
        ("# only a remark\n", "1:1", "is empty", "fill it"),
        ("a: [1, 2\nb: c\n", "2:2", "is not YAML", "indents"),
        ("a: b\n  c: d\n", "2:4", "is not YAML", "indents"),
        ("a:\n\tb: c\n", "2:1", "is not YAML", "indents"),
        ("a: b\n---\nc: d\n", "2:1", "is not YAML", "indents"),
        ("a: *nothing\n", "1:4", "is not YAML", "indents"),
        ('a: "\\ud800"\n', "1:7", "is not YAML", "indents"),
        ("a: &one [x]\nb: *one\n", "1:4", "used again by an alias", "write it out"),
        ("a: &one [*one]\n", "1:4", "used again by an alias", "write it out"),
        (BOMB, "1:4", "used again by an alias", "write it out"),
        ("a: 1\nb: !!python/object/apply:os.system [ls]\n", "2:4", "python/object", "take the tag out"),
        ("a: !mine b\n", "1:4", "'!mine'", "take the tag out"),
        ("a: !!int 3\n", "1:4", "int", "take the tag out"),
        ("a: {x: y}\nb:\n  <<: {x: z}\n", "3:3", "merge (<<)", "write the lines out"),
        ("[" * 200 + "]" * 200, f"1:{DEEPEST + 2}", "nested too deep", "flatter"),
        ("[" * 100_000, "1:1001", "nesting", "indents"),
        ("a: b\nc: d\x07\n", "2:1", "control character", "take it out"),
        ("a: b\nc: d\x00\n", "2:1", "control character", "take it out"),
        ("é: éééééééééé\né: é\na: b\x07c\nd: e\nf: g\n", "3:1", "control character", "take it out"),
        ("a: b\nc: é\n".encode("latin-1"), "2:1", "is not UTF-8", "save the file as UTF-8"),
        ("a: b\n".encode("utf-16"), "1:1", "is not UTF-8", "save the file as UTF-8"),
    ],
)
def test_a_file_that_is_not_plain_yaml_is_refused_at_its_line(tmp_path, raw, where, what, mend):
    found = fault(tmp_path, raw)
    assert found[0] == f"knowledge/trees.yaml:{where}"
    assert what in found[1]
    assert mend in found[2]


def test_an_alias_bomb_is_refused_before_it_is_unfolded(tmp_path):
    assert len(BOMB) < 500
    assert "alias" in fault(tmp_path, BOMB)[1]


def test_a_file_that_is_too_large_is_refused_with_its_size_and_the_most(tmp_path):
    where, what, mend = fault(tmp_path, b"#" * (LARGEST_BYTES + 1))
    assert where.startswith("knowledge/trees.yaml")
    assert f"{LARGEST_BYTES + 1:,}" in what
    assert f"{LARGEST_BYTES:,}" in mend


def test_a_file_that_is_just_not_too_large_is_read(tmp_path):
    text = "a: b\n"
    assert read(tmp_path, text + "#" * (LARGEST_BYTES - len(text))).pairs()["a"].text() == "b"


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(KnowledgeError, match=r"none\.yaml: cannot be read .*; check that the file is there"):
        read_file(tmp_path / "none.yaml", tmp_path)


def test_a_file_with_a_byte_order_mark_is_read(tmp_path):
    assert read(tmp_path, b"\xef\xbb\xbfa: b\n").pairs()["a"].text() == "b"


@pytest.mark.parametrize("text", ["no", "off", "ON", "1:30", "0x1F", "1.10", "~", "null", "2024-13-01", "1e3"])
def test_a_text_stays_as_it_is_spelt(tmp_path, text):
    assert read(tmp_path, f"a: {text}\n").pairs()["a"].text() == text


@pytest.mark.parametrize(("text", "number"), [("010", 10), ("1.10", 1.1), ("1e3", 1000), ("-3", -3), ('"12"', 12)])
def test_a_number_is_read_as_people_mean_it(tmp_path, text, number):
    assert read(tmp_path, f"a: {text}\n").pairs()["a"].number() == number


@pytest.mark.parametrize("text", ["ten", "1:30", "nan", "inf", "-inf", "1e999", "0x1F", "1,5"])
def test_what_is_no_finite_number_is_refused(tmp_path, text):
    node = read(tmp_path, f"a: {text!r}\n").pairs()["a"]
    with pytest.raises(KnowledgeError, match=r"^knowledge/trees\.yaml:1:4: .*" + text) as caught:
        node.number()
    assert caught.value.args[2].startswith("write ")


def test_a_number_out_of_bounds_is_shown_with_the_bounds(tmp_path):
    node = read(tmp_path, "a: 7\n").pairs()["a"]
    with pytest.raises(KnowledgeError, match=r":1:4: 7 lies outside 1 to 5; write a number within"):
        node.number(low=1, high=5)


def test_too_few_numbers_are_counted(tmp_path):
    node = read(tmp_path, "a: [1, 2, 3]\n").pairs()["a"]
    with pytest.raises(KnowledgeError, match=r":1:4: 3 numbers stand where 4 are wanted; write 4 numbers"):
        node.numbers(4)


def test_a_key_given_twice_is_refused_at_the_second(tmp_path):
    with pytest.raises(KnowledgeError, match=r":3:1: 'fir' is given twice; keep one of them"):
        read(tmp_path, "fir: 1\npine: 2\nfir: 3\n").pairs()


def test_an_unknown_key_is_refused_with_the_nearest_known(tmp_path):
    with pytest.raises(KnowledgeError, match=r":2:1: 'authorty' is not known here; did you mean 'authority'\?"):
        read(tmp_path, "name: x\nauthorty: y\n").pairs(("name", "authority"))


def test_an_unknown_key_that_is_near_nothing_is_refused_with_the_keys_allowed(tmp_path):
    with pytest.raises(KnowledgeError, match=r":1:1: 'zzz' is not known here; use one of: authority, name"):
        read(tmp_path, "zzz: y\n").pairs(("name", "authority"))


def test_of_many_keys_allowed_twelve_are_shown_and_the_rest_counted(tmp_path):
    allowed = [f"key_{n:02}" for n in range(40)]
    with pytest.raises(KnowledgeError, match=r"use one of: key_00, .*key_11 … \(40 in all\)"):
        read(tmp_path, "zzz: y\n").pairs(allowed)


def test_a_missing_key_is_named(tmp_path):
    with pytest.raises(KnowledgeError, match=r":1:1: 'rank' is missing; add a line `rank: …`"):
        read(tmp_path, "name: x\n").pairs(("name", "rank"), required=("rank",))


@pytest.mark.parametrize(
    ("text", "reader", "says"),
    [
        ("a: b\n", "items", "'b' stands where a list is wanted"),
        ("a:\n", "items", "nothing stands where a list is wanted"),
        ("a: {b: c}\n", "items", "a mapping stands where a list is wanted"),
        ("a: b\n", "pairs", "'b' stands where a mapping is wanted"),
        ("a: [b]\n", "pairs", "a list stands where a mapping is wanted"),
        ("a: [b]\n", "text", "a list or mapping stands where one text is wanted"),
        ("a:\n", "text", "the text is empty"),
        ('a: "  "\n', "text", "the text is empty"),
        ("a:\n  one\n  two\n", "text", "'one two' runs over two lines"),
        ("a: yes\n", "truth", "'yes' is not known here"),
        ("a: True\n", "truth", "'True' is not known here"),
    ],
)
def test_a_value_of_the_wrong_kind_is_shown_with_the_kind_wanted(tmp_path, text, reader, says):
    node = read(tmp_path, text).pairs()["a"]
    with pytest.raises(KnowledgeError) as caught:
        getattr(node, reader)()
    assert caught.value.args[0].startswith("knowledge/trees.yaml:")
    assert says in caught.value.args[1]
    assert caught.value.args[2]


def test_a_key_that_is_a_list_is_refused(tmp_path):
    with pytest.raises(KnowledgeError, match=r":1:3: a list or mapping stands where one text is wanted"):
        read(tmp_path, "? [a, b]\n: c\n").pairs()


def test_a_quoted_text_may_run_over_two_lines(tmp_path):
    assert read(tmp_path, 'a: "one\n  two"\n').pairs()["a"].text() == "one two"


def test_a_long_value_is_cut(tmp_path):
    with pytest.raises(KnowledgeError) as caught:
        read(tmp_path, "a: " + "x" * 500 + "\n").pairs()["a"].number()
    assert len(caught.value.args[1]) < 80


def test_an_error_survives_pickling(tmp_path):
    with pytest.raises(KnowledgeError) as caught:
        read(tmp_path, "")
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_reading_goes_on_after_a_fault(tmp_path):
    problems = Problems()
    nodes = read(tmp_path, "a: x\nb: 2\nc: y\n").pairs().values()
    assert [problems.attempt(0.0, node.number) for node in nodes] == [0.0, 2.0, 0.0]
    assert [error.args[0] for error in problems.errors] == ["knowledge/trees.yaml:1:4", "knowledge/trees.yaml:3:4"]
