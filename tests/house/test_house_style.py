"""House rules that no other tool checks: sizes, places, words that must not stand in tracked files."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
APPS = ("company", "sites", "devices", "maintenance")
SOFT_LIMIT = 400

# Module: why it may be longer. Migrations are not counted. As few as can be.
LONG_MODULES: dict[str, str] = {}

# Common homes and work folders of machines; /tmp and /usr are every machine's.
MACHINE_PATH = re.compile(
    r"(?<![\w.])/(?:home|root|Users|work|workspace|mnt|opt/venv)/[\w.-]+|/tmp/ven[v]|[A-Z]:\\Users\\"
)
REGISTRY_HOST = re.compile(
    r"https?://[^\s\"')>]*(?:pyp[i]|python[h]osted|npm[j]s|registry)[^\s\"')>]*"
    r"|--(?:extra-)?index-url|\b(?:pyp[i]\.org|npm[j]s\.org)\b",
    re.IGNORECASE,
)
TEXT = {
    ".py", ".toml", ".md", ".html", ".txt", ".css", ".js", ".svg", ".yml", ".yaml", ".json", ".cfg", ".sh", ".lock", "",
}  # fmt: skip
THIS = "tests/house/test_house_style.py"


def tracked_files() -> list[str]:
    """Files that git keeps, or would keep, here."""
    done = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode == 0 and done.stdout:
        return sorted(name for name in done.stdout.splitlines() if (ROOT / name).is_file())
    # Unpacked from an archive without git: the same folders by hand.
    skipped = {".git", ".venv", ".data", "__pycache__", "node_modules", "staticfiles"}
    return sorted(
        path.relative_to(ROOT).as_posix()
        for path in ROOT.rglob("*")
        if path.is_file() and not skipped & set(path.relative_to(ROOT).parts)
    )


def modules() -> list[str]:
    return [
        name
        for name in tracked_files()
        if name.endswith(".py") and name.startswith(APPS) and "/migrations/" not in name
    ]


def test_the_top_level_holds_only_what_belongs_there() -> None:
    # The user's list, dotfiles, and the pins of the packages.
    allowed = {
        "README.md", "DEVELOPERS.md", "manage.py", "pyproject.toml", "docker-compose.yml", "Dockerfile", "LICENSE",
        "company", "sites", "devices", "maintenance", "templates", "tests",
    }  # fmt: skip
    tops = {name.split("/")[0] for name in tracked_files()}
    strange = {top for top in tops - allowed if not top.startswith(".") and not re.match(r"(pins|requirements)\b", top)}
    assert not strange


def modules_of_tests() -> list[str]:
    return [name for name in tracked_files() if name.endswith(".py") and name.startswith("tests/")]


def test_no_module_outgrows_its_reader() -> None:
    """Tests are read like the code, and cut like it."""
    sizes = {name: len((ROOT / name).read_text().splitlines()) for name in modules() + modules_of_tests()}
    too_long = {name: size for name, size in sizes.items() if size > SOFT_LIMIT and name not in LONG_MODULES}
    assert not too_long, f"Split by topic (soft limit {SOFT_LIMIT} lines)"
    idle = {name for name in LONG_MODULES if sizes.get(name, 0) <= SOFT_LIMIT}
    assert not idle, "No longer too long: take it off the list"


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("see /home/anna/src", MACHINE_PATH),
        ("/{}/.cache".format("root"), MACHINE_PATH),
        ("C:\\Users\\anna", MACHINE_PATH),
        ("https://{}.example.com/simple".format("p" + "ypi"), REGISTRY_HOST),
        ("--index-url=x", REGISTRY_HOST),
        ("{}.org".format("py" + "pi"), REGISTRY_HOST),
    ],
)
def test_the_forbidden_words_are_caught(text: str, pattern: re.Pattern[str]) -> None:
    assert pattern.search(text)


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("/sites/12/slots/", MACHINE_PATH),
        ("https://example.org/home/anna", re.compile(r"(?!)")),
        ("/rounds/{}/".format("root"), MACHINE_PATH),
        ("/usr/lib/postgresql", MACHINE_PATH),
        ("register a transmitter", REGISTRY_HOST),
        ("the registry of slots", REGISTRY_HOST),
    ],
)
def test_harmless_words_pass(text: str, pattern: re.Pattern[str]) -> None:
    assert not pattern.search(text)


def test_no_tracked_file_names_this_machine_or_a_package_registry() -> None:
    problems = []
    for name in tracked_files():
        if name == THIS or Path(name).suffix not in TEXT:
            continue
        for number, line in enumerate((ROOT / name).read_text(errors="replace").splitlines(), 1):
            for pattern in (MACHINE_PATH, REGISTRY_HOST):
                hit = pattern.search(line)
                if hit:
                    problems.append(f"{name}:{number}: {hit.group()}")
    assert not problems, "\n".join(problems)


UNIT_OR_SOURCE = re.compile(
    r"\[[^\]]+\]|\bsource\b|\bday(?:s)?\b|\bhour|\bminute|\bsecond|\bshare\b|\bfraction\b|\bnumber of\b|\bcount\b|\bratio\b"
    r"|\bvolt|\bamp|°C|µA|mAh|\bpixel|\bslots\b|\bpermille\b|\bper \w+|\bpoint|\bprobabilit|\bindex\b|\bno unit\b",
    re.IGNORECASE,
)
NUMBERS = {"float", "int", "ndarray", "NDArray"}
# A name may carry its unit itself (window_s, sleep_ua, n_cells) or be a plain label that has none (slot, number, year).
NAMED_UNIT = re.compile(
    r"_(?:s|ms|h|d|days?|years?|months?|weeks?|min|minutes|hours|ua|uas|uah|ma|mah|ah|v|mv|c|m|mm|mm2|km|db|ohm|px|pt|share"
    r"|permille|percent|per_\w+|id|ids|pk|on|at|number)$|^n_|^(?:slot|slots|flags|number|row|line|position|limit|year|month|day|day_number"
    r"|seed|width|height|pk|count|total)$"
)


def numeric_parameters(function: ast.FunctionDef) -> list[str]:
    """Parameters whose annotation is a plain number or an array of numbers."""
    arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    found = []
    for argument in arguments:
        words = set(re.findall(r"\w+", ast.unparse(argument.annotation))) if argument.annotation else set()
        if words & NUMBERS and not words & {"dict", "Mapping"} and not NAMED_UNIT.search(argument.arg):
            found.append(argument.arg)
    return found


def without_unit(source: str) -> list[str]:
    """Public functions with numeric parameters whose doc-string names neither a unit nor a source."""
    found = []
    for node in ast.parse(source).body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and numeric_parameters(node):
            text = ast.get_docstring(node) or ""
            if not text or not UNIT_OR_SOURCE.search(text):
                found.append(node.name)
    return found


@pytest.mark.parametrize("name", [name for name in modules() if "/rules/" in name])
def test_a_rule_with_numbers_says_their_unit_or_source(name: str) -> None:
    assert without_unit((ROOT / name).read_text()) == []


def test_a_rule_without_a_unit_is_caught() -> None:
    assert without_unit('def life(sleep: float) -> float:\n    """Work out the life."""') == ["life"]
    assert without_unit("def life(sleep: float) -> float:\n    return 1.0") == ["life"]
    assert without_unit('def life(sleep: float) -> float:\n    """Life [d] from sleep current [µA]."""') == []
    assert without_unit("def life(sleep_ua: float) -> float:\n    return 1.0") == []
    assert without_unit('def name(of: str) -> str:\n    """Say it."""') == []


def test_rules_read_no_clock_and_throw_no_dice() -> None:
    problems = []
    for name in modules():
        if "/rules/" not in name:
            continue
        for node in ast.walk(ast.parse((ROOT / name).read_text())):
            if isinstance(node, ast.Call):
                text = ast.unparse(node.func)
                unseeded = text.endswith("default_rng") and not node.args and not node.keywords
                if unseeded or re.search(
                    r"(^|\.)(now|utcnow|today|monotonic|perf_counter)$|^time\.time$|^random\.\w+$|^open$|np\.random\.(?!default_rng|Generator)",
                    text,
                ):
                    problems.append(f"{name}:{node.lineno}: {text}")
    assert not problems, "\n".join(problems)


@pytest.mark.parametrize("word", ["manager", "helper", "helpers", "utils", "util", "info", "process", "misc", "common"])
def test_no_module_hides_behind_an_empty_word(word: str) -> None:
    assert not [name for name in modules() if Path(name).stem == word]


def test_nothing_inline_that_the_content_policy_would_stop() -> None:
    problems = []
    for name in tracked_files():
        if name.startswith("templates/") and name.endswith((".html", ".svg")) and not name.startswith("templates/pdf/"):
            text = (ROOT / name).read_text()
            for pattern in (
                r"<script(?![^>]*\bsrc=)[^>]*>",
                r"\sstyle\s*=",
                r"\son[a-z]+\s*=",
                r"\shx-on",
                r"javascript:",
            ):
                for hit in re.finditer(pattern, text):
                    # A block of data is no script: browsers neither run nor stop it.
                    if not re.search(r"type=\"application/json\"|type=\"text/plain\"", hit.group()):
                        problems.append(f"{name}: {hit.group().strip()}")
    assert not problems, "\n".join(problems)
