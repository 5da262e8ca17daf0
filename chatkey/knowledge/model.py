"""The one immutable Knowledge: characters, taxa, groups, places, planting, cautions and the words for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["choice", "count", "length"]
Rank = Literal["family", "genus", "species", "hybrid", "variety"]
LEAF_RANKS = ("species", "hybrid", "variety")
PLANTED = ("often", "sometimes", "rarely", "never")
WILD = ("common", "scattered", "rare")
ORIGINS = (
    "eastern_north_america",
    "western_north_america",
    "north_america",
    "europe",
    "asia",
    "africa",
    "australia",
    "garden",
)
LISTING_KINDS = ("invasive", "watch", "prohibited", "rare", "endangered", "quarantine")
MEMORY = "from memory"
PRACTICE = "common practice"
HONEST_MARKS = (MEMORY, PRACTICE)


@dataclass(frozen=True, slots=True)
class StateWords:
    """What a state (or a class of lengths) is called and how people say it."""

    label: str
    echo: str
    words: tuple[str, ...] = ()
    with_part: tuple[str, ...] = ()  # said of this state only where its part is named or its question is pending
    when_asked: tuple[str, ...] = ()  # said of this state only as an answer to its question
    said: tuple[float, float] | None = None  # of a class of lengths: what people call so, in mm, where it is wider


@dataclass(frozen=True, slots=True)
class CharacterWords:
    ask: str
    again: str
    how: str
    name: str
    echo: str = ""  # for a length: "needles about {length}"
    yes: str = ""  # the state that a bare yes means, where both questions can be answered so
    states: Mapping[str, StateWords] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Character:
    """What can be judged of a plant. Lengths are in mm."""

    id: str
    kind: Kind
    part: str
    family: str  # of evidence: its members are not independent
    effort: int  # 1 a hand, 2 a close look, 3 a cone or fallen part, 4 a few steps back, 5 a cut or a lens
    error: float  # share of readings that are wrong
    states: tuple[str, ...]
    offer: tuple[str, ...]
    classes: Mapping[str, tuple[float, float]]
    confusion: Mapping[str, Mapping[str, float]]  # true state -> heard state -> probability
    only_if: Mapping[str, tuple[str, ...]]
    lacking: str  # the state that plants show to which it does not apply; "any": they may show each; "": none fits
    denied_is_weak: bool  # "no red berries" says mostly that none were seen
    derive: (
        str  # "met": wild and planted follow from the weights of being met; "context": no taxon is scored, never asked
    )
    wild_only: bool  # said of where it grows wild; a planted one stands anywhere
    months: tuple[int, ...]  # 1 to 12, in which it can be judged; () all year
    by_month: Mapping[str, tuple[float, ...]]  # state -> (12,): share that shows it, of those that do for a season
    doubtful_if: Mapping[str, tuple[str, ...]]  # states of others under which it is judged badly (a seedling)
    sources: tuple[str, ...]
    words: CharacterWords


@dataclass(frozen=True, slots=True)
class Cell:
    """What one taxon shows in one character: weights of states, a range in mm, or neither (does not apply)."""

    weights: Mapping[str, float] = field(default_factory=dict)
    range: tuple[float, float, float, float] | None = None
    sources: tuple[str, ...] = ()
    of: str = ""  # the taxon it was written for: an ancestor's cell is inherited whole

    @property
    def applies(self) -> bool:
        return bool(self.weights) or self.range is not None


@dataclass(frozen=True, slots=True)
class Range:
    """Where a taxon grows. `native_range` says per country whether the list of native places is whole."""

    origin: str = ""
    native: frozenset[str] = frozenset()
    introduced: frozenset[str] = frozenset()
    unsettled: frozenset[str] = frozenset()
    native_range: Mapping[str, str] = field(default_factory=dict)
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Names:
    common: str
    article: str = ""
    plural: str = ""
    also: tuple[str, ...] = ()
    french: tuple[str, ...] = ()
    spanish: tuple[str, ...] = ()
    misleading: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Taxon:
    id: str
    name: str
    authority: str
    rank: Rank
    parent: str
    synonyms: tuple[str, ...]
    conifer: bool
    cells: Mapping[str, Cell]  # own and inherited
    range: Range
    planted: str
    wild: str
    names: Names
    is_leaf: bool


@dataclass(frozen=True, slots=True)
class Group:
    """A named set of leaves that hands can't split; not a parent."""

    id: str
    members: tuple[str, ...]
    same_advice: bool
    sources: tuple[str, ...]
    names: Names


@dataclass(frozen=True, slots=True)
class Region:
    """A state, province or territory."""

    code: str
    name: str
    country: str
    side: str  # east | plains | west | other
    coverage: str  # full | edge | name_only
    words: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    said: str = ""  # its name in the language of the talk


@dataclass(frozen=True, slots=True)
class Listing:
    """A taxon on somebody's list: invasive, watch, prohibited, rare, endangered."""

    taxon: str
    places: tuple[str, ...]
    kind: str
    body: str
    list: str
    date: str
    source: str


@dataclass(frozen=True, slots=True)
class Planting:
    """Site facts of a plant, in the units of their names (pH, USDA zones, metres, years)."""

    id: str
    light: str = ""
    moisture: tuple[str, ...] = ()
    flood: str = ""
    soil_ph: tuple[float, float] | None = None
    zones: tuple[str, ...] = ()
    salt: str = ""
    deer: str = ""
    height_m: float | None = None
    spread_m: float | None = None
    growth: str = ""
    lifespan_years: float | None = None
    uses: tuple[str, ...] = ()
    spacing_m: tuple[float, float] | None = None
    avoid_where: tuple[str, ...] = ()
    native: frozenset[str] | None = None  # of a broadleaf plant; None where unknown
    native_is_record: bool = False  # the list is of records, planted and wild not told apart
    instead: tuple[str, ...] = ()  # a first suggestion; each must be native at the asker's place
    name: str = ""  # of a broadleaf plant, which is no taxon of the key
    common: str = ""
    site: str = ""
    watch: str = ""
    note: str = ""
    sources: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the trade: spacing, handling, widths, seasons. `value` is text, as it is shown."""

    id: str
    topic: str
    of: str
    value: str
    unit: str
    condition: str
    source: str


@dataclass(frozen=True, slots=True)
class Caution:
    id: str
    taxa: tuple[str, ...]
    intents: tuple[str, ...]
    urgency: int  # 1 danger to life, 2 harm, 3 law and pests, 4 good practice
    likely_from: float  # summed probability of its taxa from which it is said
    sources: tuple[str, ...]
    text: str
    short: str = ""  # where there is little room


@dataclass(frozen=True, slots=True)
class Rule:
    """When a group wants to see a tree: each part that is given must hold."""

    name: str
    plants: frozenset[str] = frozenset()  # leaves; all of the answer's must be among them
    places: frozenset[str] = frozenset()  # codes of states and provinces
    counties: frozenset[str] = frozenset()
    listed: frozenset[str] = frozenset()  # kinds of lists, one of which the plant stands on there


@dataclass(frozen=True, slots=True)
class Card:
    """What a group of stewards fills in once: its own lines and offices, what is native in its counties, and what it
    wants to see."""

    name: str = ""
    lines: Mapping[str, str] = field(default_factory=dict)  # poison_line, water_office, sale_dates …
    counties: Mapping[str, frozenset[str]] = field(default_factory=dict)  # county -> taxa native there
    rules: tuple[Rule, ...] = ()


@dataclass(frozen=True, slots=True)
class Source:
    cite: str
    url: str = ""


@dataclass(frozen=True, slots=True)
class Phrases:
    """Runs of words that signal one intent (or one subject within it)."""

    intent: str
    subject: str
    whole: tuple[str, ...]
    anywhere: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Thing:
    """A body or pocket measure: its usual length in mm."""

    id: str
    words: tuple[str, ...]
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Elevation:
    """Which character a height above the sea answers, and from where on it is high. Heights in metres."""

    character: str
    high: str
    low: str
    from_metres: float
    least_metres: float  # below it is the height of a tree


@dataclass(frozen=True, slots=True)
class Language:
    """How people say things in one language, beside the words of the characters."""

    code: str
    parts: Mapping[str, tuple[str, ...]]
    intents: tuple[Phrases, ...]
    lists: Mapping[str, tuple[str, ...]]  # scope.yaml: deny, fillers, yes …
    numbers: Mapping[str, Mapping[str, float]]  # scope.yaml: hedge, ordinals, letters, numbers
    texts: Mapping[str, Mapping[str, str]]  # scope.yaml: expand, emoji
    sets: Mapping[str, tuple[str, ...]]  # scope.yaml: words that {animal} and the like stand for
    alike: Mapping[
        str, tuple[str, ...]
    ]  # scope.yaml: words that mean the same in a phrase, by the one that stands for all
    health_signs: Mapping[str, tuple[str, ...]]  # scope.yaml: which needles are sick, which side, since when
    tally: Mapping[str, tuple[str, ...]]  # scope.yaml: how a crew counts trees, and what stands before a label
    foreign: Mapping[str, frozenset[str]]  # scope.yaml: small words of other languages, without accents
    units: Mapping[str, float]  # mm
    not_units_before: tuple[str, ...]
    fractions: Mapping[str, float]
    bounds: Mapping[str, tuple[str, ...]]  # at_most, at_least, between, about
    cues: Mapping[str, tuple[str, ...]]  # long, size: a thing is a measure only after one of these
    not_after_like: tuple[str, ...]  # things that a plain "like" before does not make a measure
    things: tuple[Thing, ...]
    elevation: Elevation | None
    everyday: (
        str  # words that are never taken for misspellings of ours, each between two line ends; one text loads fast
    )

    def is_everyday(self, word: str) -> bool:
        return f"\n{word}\n" in self.everyday


@dataclass(frozen=True, slots=True)
class LearnedError:
    """How often one character is misread (its mean slip), and the readings it was learned from: shares add up."""

    rate: float
    wrong: float
    right: float


@dataclass(frozen=True, slots=True)
class LearnedPhrase:
    """How often what some words say of a plant is so, and the readings it was learned from."""

    reliability: float
    wrong: float
    right: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What stewards' verdicts taught: errors by character, phrases by their words in the form of `same_words`."""

    date: str = ""  # YYYY-MM-DD; "" where nothing was learned
    verdicts: int = 0
    errors: Mapping[str, LearnedError] = field(default_factory=dict)
    phrases: Mapping[str, LearnedPhrase] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """All that is known. Ids are keys; order is the files' order."""

    characters: Mapping[str, Character]
    taxa: Mapping[str, Taxon]
    lineages: Mapping[str, tuple[str, ...]]  # each taxon and its ancestors, nearest first
    leaves: tuple[str, ...]  # the hypotheses
    groups: Mapping[str, Group]
    regions: Mapping[str, Region]
    postal: Mapping[str, str]
    listings: tuple[Listing, ...]
    planting: Mapping[str, Planting]
    figures: Mapping[str, Figure]
    cautions: Mapping[str, Caution]
    lines: Mapping[str, Mapping[str, str]]  # country -> poison_line, emergency, dig_line
    line_sources: tuple[str, ...]
    sources: Mapping[str, Source]
    retired: Mapping[str, str]
    numbers: Mapping[str, Mapping[str, float]]
    language: Language
    hash: str
    learned: Learned = field(default_factory=Learned)
    untaught: Mapping[str, Character] = field(default_factory=dict)  # those with a learned error, as they were before

    def lineage(self, taxon: str) -> tuple[str, ...]:
        """The taxon and its ancestors, nearest first."""
        return self.lineages[taxon]

    def common(self, id: str) -> str:
        """The common name of a taxon or group."""
        if id in self.taxa:
            return self.taxa[id].names.common
        return self.groups[id].names.common if id in self.groups else id
