"""Folders of YAML to one Knowledge: all faults in one run, each with its place; and the memory of it on disk."""

from __future__ import annotations

import pickle
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from chatkey.data import remembered, shipped
from chatkey.knowledge import FaultyKnowledgeError, Knowledge, KnowledgeError, Problems, load_knowledge, read_knowledge

PLACE = re.compile(r"^knowledge/[\w/]+\.yaml:\d+:\d+$")
TREES = "taxa/trees.yaml"
LEAF = "characters/leaf.yaml"
SAID = "words/en/leaf.yaml"
GROUPS = "taxa/groups.yaml"
SHIPPED_FILES = sorted(
    path.relative_to(shipped("knowledge")).as_posix() for path in shipped("knowledge").rglob("*.yaml")
)


def test_the_shipped_knowledge_has_no_fault():
    problems = Problems()
    read_knowledge(shipped("knowledge"), problems)
    assert [str(error) for error in problems.errors] == []


def test_the_small_knowledge_of_these_tests_has_no_fault(small):
    knowledge, problems = small.read()
    assert problems.errors == []
    assert knowledge.leaves == ("tsuga_canadensis", "tsuga_caroliniana", "pinus_strobus", "thuja_occidentalis")


def test_a_child_inherits_whole_cells_and_replaces_them_whole(small):
    small.edit(
        TREES, "        needle_length: [5,", "        needle_place: {bundles: rarely}\n        needle_length: [5,"
    )
    knowledge, _ = small.read()
    assert knowledge.taxa["tsuga_canadensis"].cells["needle_place"].weights == {"bundles": 1.0}
    assert knowledge.taxa["tsuga_caroliniana"].cells["needle_place"].weights == {"single": 1.0}
    assert knowledge.taxa["tsuga_caroliniana"].cells["needle_place"].of == "tsuga"


def test_frequency_words_are_normalised_over_the_states(small):
    small.edit(TREES, "needle_place: {bundles: always}", "needle_place: {bundles: usually, single: rarely}")
    weights = small.read()[0].taxa["pinus_strobus"].cells["needle_place"].weights
    assert weights == pytest.approx({"bundles": 0.85 / 0.95, "single": 0.1 / 0.95})


@pytest.mark.parametrize(
    ("file", "old", "new", "at", "what", "mend"),
    [  # `at`: what stands at the place that is named
        (
            TREES,
            "parent: pinaceae",
            "parent: pinacea",
            "pinacea",
            "the parent 'pinacea' is missing",
            "mean 'pinaceae'?",
        ),
        (
            TREES,
            "  rank: genus\n",
            "  rank: genus\n  rank: genus\n",
            "rank: genus\n  parent",
            "'rank' is given twice",
            "keep",
        ),
        (TREES, "  name: Tsuga\n", "  nam: Tsuga\n", "nam", "'nam' is not known here", "did you mean 'name'?"),
        (TREES, "rank: species", "rank: specie", "specie", "'specie' is not known here", "did you mean 'species'?"),
        (TREES, "  name: Pinaceae\n", "", "rank: family", "'name' is missing", "add a line `name: …`"),
        (TREES, "[5, 15, 20, 25]", "[5, 20, 15, 25]", "[5, 20", "5, 20, 15, 25", "rising order"),
        (TREES, "[5, 15, 20, 25]", "[0, 15, 20, 25]", "[0, 15", "0, 15, 20, 25", "rising order"),
        (TREES, "[5, 15, 20, 25]", "[5, 5, 5, 5]", "[5, 5", "5, 5, 5, 5", "rising order"),
        (TREES, "[5, 15, 20, 25]", "[5, 15, 20]", "[5, 15, 20]", "3 numbers", "write 4 numbers"),
        (TREES, "[5, 15, 20, 25]", "[5, 15, 20, inf]", "inf", "inf", "write "),
        (TREES, "[5, 15, 20, 25]", "[1000, 1100, 1200, 1300]", "[1000", "1000", ""),  # beyond the bins of lengths
        (TREES, "{scale: always}", "{scales: always}", "scales", "'scales' is not known here", "did you mean 'scale'?"),
        (
            TREES,
            "{scale: always}",
            "{scale: allways}",
            "allways",
            "'allways' is not known here",
            "did you mean 'always'?",
        ),
        (TREES, "{scale: always}", "none", "none", "'none' is not known here", "n/a"),
        (TREES, "{scale: always}", "{}", "{}", "leaf_kind has no state", "write n/a"),
        (TREES, "sources: [survey]", "sources: [survay]", "survay", "'survay' is not known here", "mean 'survey'?"),
        (TREES, "sources: [survey]", "sources: []", "[]", "no source is named", "[from memory]"),
        (TREES, "native: [MI]", "native: [MJ]", "MJ", "'MJ' is not known here", "MI"),
        (
            TREES,
            "origin: eastern",
            "introduced: [MI]\n    origin: eastern",
            "introduced",
            "MI stands under native and",
            "one",
        ),
        (TREES, "US: complete", "US: whole", "whole", "'whole' is not known here", "complete"),
        (TREES, "planted: often", "planted: daily", "daily", "'daily' is not known here", "often"),
        (TREES, "conifer: false", "conifer: no", "no", "'no' is not known here", "false"),
        (GROUPS, "tsuga_canadensis", "tsuga_canadense", "tsuga_canadense", "'tsuga_canadense'", "'tsuga_canadensis'"),
        (LEAF, "[needle, scale]", "[needle, needle]", "[needle, needle]", "two different states", "once each"),
        (LEAF, "error: 0.1", "error: 0.1\n  by_month: {bundles: [1, 2]}", "[1, 2]", "2 numbers", "write 12 numbers"),
        (
            LEAF,
            "error: 0.1",
            "error: 0.1\n  by_month: {bundels: []}",
            "bundels",
            "'bundels'",
            "did you mean 'bundles'?",
        ),
        (LEAF, "error: 0.1", "error: 0.9", "0.9", "0.9 lies outside 0.001 to 0.6", "within"),
        (LEAF, "effort: 1", "effort: 1.5", "1.5", "1.5", "write "),
        (LEAF, "short: [3, 30]", "short: [30, 3]", "[30, 3]", "30 to 3 is no rising interval", "lower, higher"),
        (LEAF, "{leaf_kind: [needle]}", "{leaf_kind: [neddle]}", "neddle", "'neddle'", "did you mean 'needle'?"),
        (LEAF, "{leaf_kind: [needle]}", "{leaf_kid: [needle]}", "leaf_kid", "'leaf_kid'", "did you mean 'leaf_kind'?"),
        (SAID, "single: {", "singel: {", "singel", "'singel'", "did you mean 'single'?"),
        ("places/regions.yaml", "side: east", "side: eastern", "eastern", "'eastern'", "did you mean 'east'?"),
        ("sources.yaml", "cite:", "site:", "site", "'site'", "did you mean 'cite'?"),
    ],
)
def test_a_fault_is_the_first_error_with_its_place_the_value_and_the_mend_and_is_said_once(
    small, file, old, new, at, what, mend
):
    start = small.edit(file, old, new)
    first, *rest = small.errors()
    assert first.args[0] == f"knowledge/{file}:{small.place(file, at, start)}"
    assert what in first.args[1]
    assert mend in first.args[2]
    assert str(first) not in [str(error) for error in rest]


def test_a_taxon_without_a_common_name_is_an_error_that_names_the_file_of_names(small):
    small.edit("words/en/names.yaml", "pinus: {common: pine}\n", "")
    where, what, mend = small.the_error()
    assert where.startswith(f"knowledge/{TREES}:")
    assert what == "'pinus' has no common name"
    assert "words/en/names.yaml" in mend


def test_all_faults_of_all_files_are_found_in_one_run_each_once(small):
    small.edit(TREES, "  name: Tsuga\n", "  name: Tsuga\n  autority: Linnaeus\n")
    small.edit(TREES, "[10, 30, 40, 50]", "[10, 40, 30, 50]")
    small.edit(TREES, "{scale: always}", "{scale: allways}")
    small.edit(LEAF, "effort: 1", "effort: 9")
    small.edit("places/regions.yaml", "side: east", "side: eastern")
    small.edit("sources.yaml", "cite:", "site:")
    said = [str(error) for error in small.errors()]
    for value in ("'autority'", "9 lies outside", "'eastern'", "'site'"):
        assert sum(value in line for line in said) == 1, (value, said)


def test_every_error_of_many_faults_names_file_line_and_column(small):
    small.edit(TREES, "  name: Tsuga\n", "  name: Tsuga\n  autority: Linnaeus\n")
    small.edit(LEAF, "error: 0.08", "error: 0.9")
    for error in small.errors():
        assert PLACE.match(error.args[0]), str(error)


def test_with_faults_nothing_is_returned_and_the_first_is_shown_with_their_number(small):
    small.edit(TREES, "[10, 30, 40, 50]", "[10, 40, 30, 50]")
    small.edit(TREES, "{scale: always}", "{scale: allways}")
    with pytest.raises(FaultyKnowledgeError) as caught:
        load_knowledge(small.path)
    assert PLACE.match(caught.value.args[0])
    assert "the first of 2; `chatkey check` lists them" in str(caught.value)
    assert len(caught.value.problems.errors) == 2


@pytest.mark.parametrize(
    ("old", "new"), [("parent: pinaceae", "parent: tsuga"), ("parent: pinaceae", "parent: tsuga_caroliniana")]
)
def test_a_ring_of_parents_is_one_error_at_one_of_its_members(small, old, new):
    small.edit(TREES, old, new)
    where, what, mend = small.the_error()
    assert where.startswith(f"knowledge/{TREES}:")
    assert "is its own ancestor" in what
    assert mend == "name another parent"


def test_a_taxon_under_a_ring_is_not_called_its_own_ancestor(small):
    small.edit(TREES, "  rank: family\n", "  rank: family\n  parent: tsuga\n")
    faulty = {error.args[1].split()[0] for error in small.errors()}
    assert faulty <= {"pinaceae", "tsuga"}
    assert len(faulty) == 1


def test_a_ring_of_conditions_is_an_error(small):
    """Each waits for the other: neither could ever be asked."""
    small.edit(LEAF, "states: [needle, scale]", "states: [needle, scale]\n  only_if: {needle_place: [single]}")
    assert any(error.args[0].startswith(f"knowledge/{LEAF}:") for error in small.errors())


def test_a_taxon_in_two_files_is_an_error_at_the_second(small):
    small.write("taxa/zz.yaml", "pinus:\n  name: Pinus\n  rank: genus\n")
    where, what, _ = small.the_error()
    assert where.startswith("knowledge/taxa/zz.yaml:")
    assert "'pinus' stands in knowledge/taxa/trees.yaml too" in what


def test_the_words_of_one_character_in_two_files_are_an_error(small):
    words = (small.path / "words/en/leaf.yaml").read_text(encoding="utf-8")
    small.write("words/en/zz.yaml", words.split("needle_place:")[0])
    assert "'leaf_kind' stands in knowledge/words/en/leaf.yaml too" in small.the_error()[1]


def test_a_source_in_two_files_is_an_error(small):
    small.write("cautions/caution_sources.yaml", "survey: {cite: Another walk}\n")
    assert "'survey' stands in knowledge/" in small.the_error()[1]


def test_a_character_scored_twice_for_a_taxon_is_an_error_at_the_second(small):
    block = "    - sources: [from memory]\n      scores:\n        needle_length: [10, 15, 20, 25]\n"
    small.edit(TREES, "        needle_length: [5, 15, 20, 25]\n", f"        needle_length: [5, 15, 20, 25]\n{block}")
    where, what, _ = small.the_error()
    assert where == f"knowledge/{TREES}:{small.place(TREES, '[10, 15, 20, 25]')}"
    assert what == "'needle_length' is scored twice for tsuga_canadensis"


def test_a_character_without_words_and_words_without_a_character_are_errors(small):
    small.edit("words/en/leaf.yaml", "needle_length:", "needle_lenght:")
    found = [error.args[1] for error in small.errors()]
    assert "'needle_length' has no words" in found
    assert "'needle_lenght' is no character" in found


def test_a_retired_id_that_names_nothing_readable_is_kept_with_the_other_faults(small):
    small.write("retired.yaml", "old_one: [a, b]\nold_two: {}\n")
    assert [error.args[0] for error in small.errors()] == ["knowledge/retired.yaml:1:10", "knowledge/retired.yaml:2:10"]


def test_a_public_line_that_is_no_text_is_kept_with_the_other_faults(small):
    small.write(
        "cautions/lines.yaml",
        "US: {emergency: [1, 2], sources: [from memory]}\nCA: {emergency: {}, sources: [from memory]}\n",
    )
    assert [error.args[0] for error in small.errors()] == [
        "knowledge/cautions/lines.yaml:1:17",
        "knowledge/cautions/lines.yaml:2:17",
    ]


def test_a_plant_whose_list_of_names_is_empty_is_an_error(small):
    small.write("planting/broadleaves.yaml", "acer_rubrum: {name: Acer rubrum, sources: {}}\n")
    small.write("words/en/planting.yaml", "acer_rubrum: {names: []}\n")
    assert small.the_error()[0].startswith("knowledge/words/en/planting.yaml:1:")


def test_a_word_that_stands_for_a_list_is_an_error(small):
    small.write("words/en/scope.yaml", "expand: {wont: [will, not]}\n")
    assert small.the_error()[0] == "knowledge/words/en/scope.yaml:1:16"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("met_wild:", "met_wilt:"),
        ("elsewhere: 0.004", "elswhere: 0.004"),
        ("say: 0.8", "sey: 0.8"),
        ("always: 0.99", "always: 0"),
        ("bins: 72", "bins: 0"),
    ],
)
def test_a_number_that_is_misspelt_or_makes_no_sense_is_an_error_of_the_file_of_numbers(small, old, new):
    small.edit("numbers.yaml", old, new)
    assert any(error.args[0].startswith("knowledge/numbers.yaml:") for error in small.errors())


def test_a_folder_without_its_numbers_is_an_error(small):
    (small.path / "numbers.yaml").unlink()
    assert any("numbers" in str(error) for error in small.errors())


def test_a_folder_without_yaml_is_named(tmp_path):
    with pytest.raises(KnowledgeError, match=r"holds no YAML; name the folder of the knowledge"):
        load_knowledge(tmp_path)


def test_a_file_that_cannot_be_read_is_an_error(small):
    (small.path / "taxa" / ".#trees.yaml").symlink_to(
        "somebody@nowhere.1"
    )  # what an editor leaves while a file is open
    assert "cannot be read" in small.the_error()[1]


def test_the_hash_changes_with_the_content_and_not_with_the_place(small, whole):
    before = small.read()[0].hash
    assert whole.read()[0].hash == load_knowledge().hash
    small.edit(TREES, "[5, 15, 20, 25]", "[5, 15, 20, 26]")
    assert small.read()[0].hash != before


def test_a_knowledge_survives_pickling(small):
    knowledge, _ = small.read()
    assert pickle.loads(pickle.dumps(knowledge)) == knowledge


@st.composite
def spoilt(draw: st.DrawFn, raw: bytes) -> bytes:
    """Some bytes deleted, inserted or replaced, or a line taken out, doubled or moved in."""
    kind = draw(st.sampled_from(["delete", "insert", "replace", "drop_line", "double_line", "indent_line", "value"]))
    if kind in ("delete", "insert", "replace"):
        start = draw(st.integers(0, len(raw)))
        end = start if kind == "insert" else min(len(raw), start + draw(st.integers(1, 40)))
        new = b"" if kind == "delete" else draw(st.one_of(st.binary(min_size=1, max_size=4), st.sampled_from(TOKENS)))
        return raw[:start] + new + raw[end:]
    lines = raw.splitlines(keepends=True)
    n = draw(st.integers(0, len(lines) - 1))
    line = lines[n]
    changed = {
        "drop_line": b"",
        "double_line": line + line,
        "indent_line": b" " * draw(st.integers(0, 8)) + line.lstrip(),
        "value": line.partition(b":")[0] + b": " + draw(st.sampled_from(TOKENS)) + b"\n",
    }
    return b"".join([*lines[:n], changed[kind], *lines[n + 1 :]])


TOKENS = [
    b"[]",
    b"{}",
    b"~",
    b"''",
    b"0",
    b"-1",
    b"1e999",
    b"[1, 2]",
    b"{a: b}",
    b"&a",
    b"*a",
    b"!x",
    b"<<: x",
    b"\t",
    b"# ",
    b"|",
]


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(data=st.data())
def test_a_shipped_file_spoilt_anywhere_is_read_or_refused_never_a_crash(whole, data):
    path = whole.path / data.draw(st.sampled_from(SHIPPED_FILES))
    raw = path.read_bytes()
    try:
        path.write_bytes(data.draw(spoilt(raw)))
        assert isinstance(read_or_fault(whole), Knowledge | KnowledgeError)
    finally:
        path.write_bytes(raw)


def read_or_fault(folder) -> Knowledge | KnowledgeError:
    """Any other exception is the crash that is looked for."""
    try:
        return load_knowledge(folder.path)
    except KnowledgeError as error:
        return error


@pytest.fixture
def cache(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("CHATKEY_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache" / "chatkey"


def never() -> Knowledge:
    raise AssertionError("it was built anew")


def test_what_was_built_is_remembered(small, cache):
    built = remembered([small.path], lambda: load_knowledge(small.path))
    assert remembered([small.path], never) == built
    assert len(list(cache.glob("*.pickle"))) == 1


def test_a_changed_file_is_seen_though_its_size_stays(small, cache):
    remembered([small.path], lambda: load_knowledge(small.path))
    small.edit(TREES, "[5, 15, 20, 25]", "[5, 15, 20, 26]")
    anew = remembered([small.path], lambda: load_knowledge(small.path))
    assert anew.taxa["tsuga_canadensis"].cells["needle_length"].range == (5, 15, 20, 26)


@pytest.mark.parametrize("change", ["added", "removed", "renamed"])
def test_a_file_that_comes_goes_or_is_renamed_is_seen(small, cache, change):
    remembered([small.path], lambda: "old")
    if change == "added":
        small.write("taxa/more.yaml", "x: y\n")
    elif change == "removed":
        (small.path / "taxa/groups.yaml").unlink()
    else:
        (small.path / "taxa/groups.yaml").rename(small.path / "taxa/sets.yaml")
    assert remembered([small.path], lambda: "new") == "new"


def test_a_change_in_any_of_several_folders_is_seen(small, whole, cache):
    remembered([small.path, whole.path], lambda: "old")
    assert remembered([small.path, whole.path], never) == "old"
    whole.edit("retired.yaml", "{}", "{a: b}")
    assert remembered([small.path, whole.path], lambda: "new") == "new"


@pytest.mark.parametrize(
    "spoil", [lambda raw: b"", lambda raw: raw[: len(raw) // 2], lambda raw: b"\x80" + raw, lambda raw: b"no"]
)
def test_a_broken_cache_file_is_built_anew_and_mended(small, cache, spoil):
    remembered([small.path], lambda: load_knowledge(small.path))
    (file,) = cache.glob("*.pickle")
    file.write_bytes(spoil(file.read_bytes()))
    built = remembered([small.path], lambda: load_knowledge(small.path))
    assert built.leaves
    assert remembered([small.path], never) == built


def test_a_cache_that_cannot_be_written_is_done_without(small, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    monkeypatch.setenv("CHATKEY_CACHE", str(tmp_path / "file"))
    assert remembered([small.path], lambda: "built") == "built"


def test_a_faulty_knowledge_is_not_remembered(small, cache):
    small.edit(TREES, "[5, 15, 20, 25]", "[5, 20, 15, 25]")
    for _ in range(2):
        with pytest.raises(FaultyKnowledgeError):
            remembered([small.path], lambda: load_knowledge(small.path))
    assert not list(cache.glob("*"))


def test_only_a_few_old_states_are_kept(small, cache):
    for n in range(8):
        small.write("retired.yaml", f"old_{n}: new\n")
        remembered([small.path], lambda n=n: n)
    assert len(list(cache.glob("*.pickle"))) <= 4
    assert remembered([small.path], never) == 7


@pytest.mark.parametrize("open_to_others", ["file", "folder"])
def test_what_another_user_could_have_written_is_not_read(small, cache, open_to_others):
    """Reading a pickle runs what its writer wants."""
    remembered([small.path], lambda: "old")
    (file,) = cache.glob("*.pickle")
    (file if open_to_others == "file" else cache).chmod(0o777)
    assert remembered([small.path], lambda: "new") == "new"
