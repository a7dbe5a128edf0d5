"""Messages and the catalogue of remedies hold each other: every raise and warning names an entry, every entry is named.

A walk over the syntax trees of controller, drivers and safety, as tests/test_architecture.py does for imports.
"""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from controller.cli import console
from controller.config.drivefile import DRIVE_FILE_CODE, DRIVE_FILE_CODES
from controller.config.errors import stop_code
from controller.config.remedies import CAUTIONS, Remedy, markdown, remedies
from controller.config.words import VALUE_CODES, WRONG_TYPE
from controller.register.homing import HomingFailure, failure_code
from controller.register.marks import Reason as MarksReason
from controller.register.words import marks_code
from controller.session.doctorfinding import FINDING_CODES
from controller.session.prompts import PROMPT_CODES
from controller.stream.watch import CODES as WATCH_CODES
from safety.events import Reason as StopReason
from safety.latch import UNREADABLE

ROOT: Final = Path(__file__).parent.parent
PACKAGES: Final = ("controller", "drivers", "safety")

AT_SITE: Final = frozenset(
    {"Contradiction", "HaltError", "HaltedError", "Mistake", "PoorFit", "RefusedError", "Warned", "warn"}
)
"""What reaches a person and says at each site which entry explains it: the keyword ``code``."""

BY_CLASS: Final = {
    "DiskError": "a file that could not be written",
    "DriverError": "the base of the three",
    "FaultError": "a drive",
    "GiveUpError": "the link to a broker",
    "GuardSilentError": "a guard that does not answer, told by whoever asked it",
    "GuardUnreachableError": "told by whoever asked the guard",
    "JournalError": "a DiskError of the journal; a damaged one says so itself",
    "LinkError": "the wire",
    "MisuseError": "our own bug, or a setting that an adapter does not take",
    "NonsenseError": "an answer read from a sheet",
    "RemoteError": "a fault of the service's own",
    "StopUnlatchedError": "a stop whose latch the disk does not take",
    "StoppedError": "a controlled stop",
}
"""Errors whose class is what they mean: ``code`` is an attribute of the class. A site may give a finer one."""

INSIDE: Final = {
    "AnswerError": "drivers: an answer on a line, counted or turned into LinkError",
    "CannotKeepError": "RefusedError of calibrationkeep",
    "ChildError": "LinkError or RefusedError of whoever started the child",
    "ClearRefusedError": "RefusedError of clear_latch",
    "ContradictionsError": "carries Contradictions, each with its code",
    "DoorError": "the guard's own start, told as guard-not-ready",
    "DriveFileError": "carries rules of a drive file, Mistakes by drive_file_code",
    "FolderBusyError": "twin-busy",
    "FullError": "artwork: the mistakes so far are told",
    "GivenUpError": "commissioning: told as left at a question",
    "HandleError": "the guard's handle, told as handle-lost",
    "IllegalEventError": "a bug of ours, told as one",
    "InputError": "carries Mistakes, each with its code",
    "NoScreenError": "artwork: told as something left out",
    "ProtocolError": "the demonstration's broker ends a connection by it",
    "RingError": "a run that is refused, or accounted for without its ring",
    "SdoAbortError": "the simulated drive's answer",
    "SettingsError": "the guard's own start, told as guard-not-ready",
    "SyntaxMistake": "artwork: becomes a Mistake",
    "TimingLogError": "run-not-read",
    "TooManyDotsError": "screen-too-many-dots",
    "TooMuchError": "artwork-too-large",
    "TraceError": "trace-file",
    "UnknownValueError": "a rule that has nothing to say",
    "UnreadableBeatError": "the guard's beat-unreadable",
    "UnusableError": "photo-unusable",
    "WireError": "an answer on the control socket, or the guard's wire-lost",
    "_EndedError": "planning that was ended",
    "_LeftOutError": "artwork: told as something left out",
    "_NotUnderstoodError": "artwork: a selector told as left out",
}
"""Errors that never reach a person as they are, and what becomes of each."""

SOURCES: Final = frozenset(
    {
        "code", "code_of(error)", "drive_file_code(one.where)", "each.code", "error.code", "marks_code(found.reason)",
        "one.code", "outcome.code", "refusal_code(results, previous, self.machine.axes)",
        "skipped_code(one.kind, one.what)", "stop_code(standing.reason)", "told_code(one)", "warning.code",
        "self._watch.code",
    }
)  # fmt: skip
"""Where a code may come from at a site that does not write it: a table below, or an object that carries one."""

TABLES: Final = {
    "guard's reasons": {stop_code(one) for one in StopReason},
    "a latch that cannot be read, or is of another version": {
        stop_code(UNREADABLE),
        stop_code("of another version"),
    },
    "marks": {marks_code(one) for one in MarksReason},
    "homing": {failure_code(one) for one in (*HomingFailure, None)},
    "values of files": {*VALUE_CODES.values(), WRONG_TYPE},
    "drive files": {*DRIVE_FILE_CODES.values(), DRIVE_FILE_CODE},
    "doctor": set(FINDING_CODES.values()),
    "questions": set(PROMPT_CODES.values()),
    "what drives report": {code for _, code in WATCH_CODES},
    "artwork": {
        console.skipped_code(kind, what)
        for kind in ("left out", "changed", "unseen")
        for what in (*console._LEFT_OUT_CODES, "anything")
    },
    "exit codes": {f"exit-{int(code)}" for code in console.Exit},
}
"""Codes that are made of a table's names instead of being written at a site."""

_TELLING: Final = re.compile(r"(_warnings|_cautions)$")
"""Functions that yield (field, words, code)."""

PLACES: Final = {"Warned": 2, "Verdict": 2, "explained_by": 0}
"""Calls that may take the code by place."""


_TO_LOOK_AT: Final = re.compile(
    r"\bcode ?[=:]|\bcode, |, code\b|def \w*code(?:_of)?\(|def \w+(?:_cautions|_warnings)\(|explained_by\("
    r"|^ *class \w+\(.*(?:Exception|Error|Mistake|Fit)\b"
    rf"|\b(?:{'|'.join(AT_SITE)})\(",
    re.MULTILINE,
)
"""A module without any of these has no site, writes no code and makes no error; it need not be parsed."""


@functools.cache
def sources() -> tuple[tuple[str, Tree], ...]:
    """Every module of ours in which there is something to look at, with its tree."""
    paths = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]
    texts = ((str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")) for path in paths)
    return tuple((where, Tree(text)) for where, text in texts if _TO_LOOK_AT.search(text))


class Tree:
    """A module's nodes of the kinds that are looked at here, found in one walk."""

    def __init__(self, source: str) -> None:
        tree = ast.parse(source)
        self.body = tree.body
        self.calls: list[ast.Call] = []
        self.assigned: list[ast.Assign | ast.AnnAssign] = []
        self.functions: list[ast.FunctionDef] = []
        self.classes: list[ast.ClassDef] = []
        for node in ast.walk(tree):
            match node:
                case ast.Call():
                    self.calls.append(node)
                case ast.Assign() | ast.AnnAssign():
                    self.assigned.append(node)
                case ast.FunctionDef():
                    self.functions.append(node)
                case ast.ClassDef():
                    self.classes.append(node)


def name_of(call: ast.Call) -> str:
    """The last name of what is called."""
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def code_at(call: ast.Call) -> ast.expr | None:
    """The argument that is the code; None where there is none."""
    for keyword in call.keywords:
        if keyword.arg == "code":
            return keyword.value
    place = PLACES.get(name_of(call))
    return call.args[place] if place is not None and len(call.args) > place else None


def parts_of(value: ast.expr) -> Iterator[ast.expr]:
    """What a code may turn out to be: the sides of ``a or b`` and ``a if b else c``."""
    if isinstance(value, ast.BoolOp):
        for one in value.values:
            yield from parts_of(one)
    elif isinstance(value, ast.IfExp):
        yield from parts_of(value.body)
        yield from parts_of(value.orelse)
    else:
        yield value


def written(value: ast.expr | None, names: Mapping[str, str]) -> Iterator[str]:
    """The codes that stand in an expression as texts, or as one of the module's ``names`` for a text."""
    for one in () if value is None else parts_of(value):
        if isinstance(one, ast.Name) and one.id in names:
            yield names[one.id]
        elif isinstance(one, ast.Constant) and isinstance(one.value, str) and one.value:
            yield one.value


def names_in(tree: Tree) -> dict[str, str]:
    """Capital names at the top of a module that stand for a text."""
    found = {}
    for node in tree.body:
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        value = getattr(node, "value", None)
        if isinstance(target, ast.Name) and target.id.isupper() and isinstance(value, ast.Constant):
            found[target.id] = str(value.value)
    return found


def sites_without(tree: Tree, where: str, known: frozenset[str]) -> list[str]:
    """Sites that reach a person and name no entry that there is, one line each."""
    found: list[str] = []
    names = names_in(tree)
    inside_twin = where.startswith(
        "drivers/twin/"
    )  # has a RefusedError of its own, an answer on a simulated line
    for node in tree.calls:
        if name_of(node) not in AT_SITE or inside_twin:
            continue
        value = code_at(node)
        if value is None or (isinstance(value, ast.Constant) and not value.value):
            found.append(f"{where}:{node.lineno}: {name_of(node)} without a code")
            continue
        for one in parts_of(value):
            said = list(written(one, names))
            if said:
                found += [
                    f"{where}:{node.lineno}: {code!r} is no entry" for code in said if code not in known
                ]
            elif ast.unparse(one) not in SOURCES:
                found.append(f"{where}:{node.lineno}: nobody knows what {ast.unparse(one)} may be")
    return found


def used_in(tree: Tree) -> set[str]:
    """Every code that a module writes down: at a site, as a class' or an outcome's, in a function that tells codes."""
    found: set[str] = set()
    names = names_in(tree)
    for call in tree.calls:
        found.update(written(code_at(call), names))
    for node in tree.assigned:
        for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
            to = target.elts if isinstance(target, ast.Tuple) else [target]
            values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
            for one, value in zip(to, values, strict=False):
                if (one.attr if isinstance(one, ast.Attribute) else getattr(one, "id", "")) == "code":
                    found.update(written(value, names))
    for function in tree.functions:
        found.update(_told_by(function, names))
    return found


def _told_by(function: ast.FunctionDef, names: Mapping[str, str]) -> Iterator[str]:
    returns_codes = function.name == "code_of" or function.name.split("_")[-1] == "code"
    yields_codes = _TELLING.search(function.name) is not None
    for node in ast.walk(function) if returns_codes or yields_codes else ():
        if returns_codes and isinstance(node, ast.Return):
            yield from written(node.value, names)
        if yields_codes and isinstance(node, ast.Yield) and isinstance(node.value, ast.Tuple):
            yield from written(node.value.elts[-1], names)


def classes() -> Iterator[tuple[str, ast.ClassDef]]:
    """Every exception of ours, with where it stands."""
    for where, tree in sources():
        for node in tree.classes:
            if any(re.search(r"(Exception|Error|Mistake|Fit)$", ast.unparse(base)) for base in node.bases):
                yield where, node


def has_code(node: ast.ClassDef) -> bool:
    """Whether a class has a code of its own."""
    targets = [
        target
        for part in node.body
        if isinstance(part, ast.Assign | ast.AnnAssign)
        for target in (part.targets if isinstance(part, ast.Assign) else [part.target])
    ]
    return any(isinstance(one, ast.Name) and one.id == "code" for one in targets)


def known() -> frozenset[str]:
    """The codes of the catalogue."""
    return frozenset(remedies())


def test_every_site_names_an_entry() -> None:
    """Every refusal, halt, mistake, contradiction, poor fit and warning names an entry that there is."""
    found: list[str] = []
    sites = 0
    for where, tree in sources():
        found += sites_without(tree, where, known())
        sites += sum(name_of(node) in AT_SITE for node in tree.calls)
    assert found == []
    assert sites > 400


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ('raise RefusedError("no", "do")', "without a code"),
        ('raise InputError([Mistake(path, "a", "b", "c", code="of-no-entry")])', "no entry"),
        ('warn("words", code=wherever)', "nobody knows"),
        ('raise HaltedError("no", "do", code=standing.reason or "not-an-entry")', "nobody knows"),
        ('yield Warned("field", "words")', "without a code"),
    ],
)
def test_a_site_without_is_seen(source: str, wrong: str) -> None:
    """Each of these is named with its line."""
    found = sites_without(Tree(f"def f():\n    {source}"), "somewhere.py", known())
    assert found
    assert found[0].startswith("somewhere.py:2: ")
    assert wrong in found[0]


def test_a_good_site_is_let_pass() -> None:
    """The check is not merely always red."""
    source = 'raise RefusedError("no", "do", code=outcome.code or "not-homed")'
    assert sites_without(Tree(source), "somewhere.py", known()) == []


def test_no_entry_is_dead() -> None:
    """Every entry is named by code, or made of a table's names; and all that tables make are entries."""
    used = set().union(*(used_in(tree) for _, tree in sources()))
    made = set().union(*TABLES.values())
    assert {code for code in made if code not in known()} == set()
    assert known() - used - made == set()


def test_a_dead_entry_is_seen() -> None:
    """A code in a comment, a text or another argument is no use of it."""
    source = '# not-homed\nx = "not-homed"\nraise RefusedError("not-homed", "not-homed", code="latched")'
    assert used_in(Tree(source)) == {"latched"}


def test_every_error_is_told_or_turned_into_one_that_is() -> None:
    """Every exception of ours is in one of the three tables; those by class have a code that is an entry."""
    names = {node.name for _, node in classes()}
    tables = (AT_SITE, BY_CLASS, INSIDE)
    assert {
        name: sum(name in table for table in tables) for name in names if name != "_Settings"
    } == dict.fromkeys(names, 1)
    assert {name for table in (BY_CLASS, INSIDE) for name in table} <= names
    for where, node in classes():
        if node.name in BY_CLASS and node.name != "JournalError":
            assert has_code(node), f"{where}: {node.name}"


def entries() -> list[Remedy]:
    """Every entry."""
    return list(remedies().values())


BOUNDS: Final = {"says": (8, 240), "means": (25, 600)}
LINE_BOUNDS: Final = (8, 330)
DOCS: Final = ROOT / "docs"


def faults_of(entry: Remedy) -> list[str]:
    """What is missing or too long in an entry."""
    found = []
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", entry.code) or len(entry.code) > 32:
        found.append("code")
    for name, (least, most) in BOUNDS.items():
        if not least <= len(getattr(entry, name)) <= most:
            found.append(name)
    for name in ("causes", "steps"):
        lines = getattr(entry, name)
        if not 1 <= len(lines) <= 6 or not all(
            LINE_BOUNDS[0] <= len(line) <= LINE_BOUNDS[1] for line in lines
        ):
            found.append(name)
        if not all(line.endswith((".", "?")) for line in lines):
            found.append(f"{name}: sentences end with a full stop")
    if not entry.read:
        found.append("read")
    found += [f"caution {name}" for name in entry.cautions if name not in CAUTIONS]
    return found


def test_every_entry_is_whole() -> None:
    """Every entry says what it means, what causes it, what to do and where to read more, within bounds."""
    assert {entry.code: found for entry in entries() if (found := faults_of(entry))} == {}
    assert len(entries()) > 150


@pytest.mark.parametrize(
    "change",
    [
        {"code": "Not A Code"}, {"says": ""}, {"means": "short"}, {"causes": ()}, {"steps": ("do",)}, {"read": ()},
        {"steps": ("Look at the machine",)}, {"cautions": ("of no name",)}, {"means": "x" * 601},
    ],
    ids=str,
)  # fmt: skip
def test_a_poor_entry_is_seen(change: dict[str, object]) -> None:
    """Each of these falls short."""
    good = remedies()["lease-out"]
    fields = {name: getattr(good, name) for name in Remedy.__dataclass_fields__}
    assert faults_of(good) == []
    assert faults_of(Remedy(**{**fields, **change}))  # type: ignore[arg-type]


_MOVES: Final = re.compile(
    r"giornata (?:home|paint|commission|marks|measure|identify(?! samples| wave| able))\b"
    r"|leave `--virtual` out|\b[Hh]ome (?:again|once|after|or|with)\b|^Home\b"
    r"|[,;.] home(?:[,;.]| |$)|\b(?:and|then) home\b"
)
"""Of a step: it has the machine moved, by a verb or in words."""


def moves_untold(entry: Remedy) -> bool:
    """Whether a step has the machine moved and the caution before the steps does not say so."""
    return any(_MOVES.search(step) for step in entry.steps) and "moves" not in entry.cautions


def test_whoever_is_to_move_the_machine_is_cautioned() -> None:
    """Every entry whose steps home, paint, commission or identify has the caution; an entry without it is seen."""
    assert [entry.code for entry in entries() if moves_untold(entry)] == []
    for code in ("lease-out", "homing-stuck", "twin-missing", "exit-4", "disk-refuses", "jump-not-looked-at"):
        entry = remedies()[code]
        assert moves_untold(
            replace(entry, cautions=tuple(one for one in entry.cautions if one != "moves"))
        ), code
    for still in (
        "`giornata identify samples`.",
        "Look at the home switch.",
        "`giornata clear --machine M.toml`.",
    ):
        assert not moves_untold(replace(remedies()["lease-out"], steps=(still,), cautions=()))


def test_codes_of_stops_are_the_guards_words() -> None:
    """What stands in a latch explains itself: each reason of the guard is an entry among stops, with a caution."""
    for reason in StopReason:
        entry = remedies()[reason.value]
        assert (entry.group, bool(entry.cautions)) == ("stops", True)
        assert f"({reason.value})" in entry.says


def test_where_to_read_more_is_there() -> None:
    """Every page that an entry names is there, with a heading of that anchor."""
    missing = []
    for entry in entries():
        for target in entry.read:
            page, _, anchor = target.partition("#")
            path = DOCS / page
            if not path.is_file() or (anchor and anchor not in _anchors(path)):
                missing.append(f"{entry.code}: {target}")
    assert missing == []


@functools.cache
def _anchors(path: Path) -> frozenset[str]:
    titles = re.findall(r"^#+ (.*)$", path.read_text(encoding="utf-8"), re.MULTILINE)
    plain = (re.sub(r"[^\w\- ]", "", title.lower()) for title in titles)
    return frozenset(title.strip().replace(" ", "-") for title in plain)


def test_the_page_is_not_stale() -> None:
    """docs/messages.md is what ``giornata explain --markdown`` prints."""
    assert (DOCS / "messages.md").read_text(encoding="utf-8") == markdown(), (
        "write it anew: giornata explain --markdown > docs/messages.md"
    )
