"""The documents: links lead somewhere, commands and examples work, nothing of one machine is in the repository."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from pipeline import analyze
from pipeline.__main__ import DEMO_CASES, DEMO_KEY, DEMO_SEED, app
from pipeline.flow import Request, run
from pipeline.plan import Plan, load_plan
from pipeline.plan_names import check_names
from pipeline.plan_page import PAGE, plan_page
from pipeline.result_tables import ESTIMATE_COLUMNS
from pipeline.store import connect
from synthetic_data.service import invent, write_service

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
PAGES = sorted([*ROOT.glob("*.md"), *DOCS.glob("*.md")])
GUIDE = DOCS / "getting_started.md"

FENCE = re.compile(r"^( *)```(\w*)\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\(([^)\s]+)\)")
COMMAND = re.compile(r"^(?:\.venv[/\\](?:bin|Scripts)[/\\])?crosswise\b(.*)$")

# What only one machine or one index has. Written in pieces, so that this file does not find itself.
OF_ONE_MACHINE = tuple(
    "".join(pieces)
    for pieces in (
        ("/wo", "rk/"),
        ("/ro", "ot/"),
        ("/ho", "me/"),
        ("/Use", "rs/"),
        ("C:\\", "Users"),
        (".lib", "rary/"),
        ("shared/", "design"),
        ("py", "pi."),
        ("pythonhosted", ".org"),
        ("npmjs", ".org"),
        ("--index", "-url="),
        ("extra-index", "-url"),
        ("local", "host:"),
    )
)


def _prose(page: Path) -> str:
    """The page without its code: brackets in code are no links, and a comment in code is no heading."""
    return re.sub(r"`[^`\n]*`", "", FENCE.sub("", page.read_text(encoding="utf-8")))


def _blocks(page: Path, language: str) -> list[str]:
    """Code blocks in one language, with the indent of the list that they stand in taken off."""
    found = FENCE.findall(page.read_text(encoding="utf-8"))
    return [re.sub(rf"(?m)^{indent}", "", code) for indent, kind, code in found if kind == language]


def _anchors(page: Path) -> set[str]:
    """The anchors of a page's headings as GitHub makes them."""
    anchors: set[str] = set()
    for heading in re.findall(r"^#{1,6} +(.+?) *$", FENCE.sub("", page.read_text(encoding="utf-8")), re.MULTILINE):
        text = LINK.sub("]", heading)
        anchor = re.sub(r"[^\w\- ]", "", text.lower()).replace(" ", "-")
        number = 0
        while (numbered := anchor + (f"-{number}" if number else "")) in anchors:
            number += 1
        anchors.add(numbered)
    return anchors


def _commands(page: Path) -> Iterator[list[str]]:
    """Every `crosswise ...` line of the page's shell blocks, as words."""
    for block in _blocks(page, "sh") + _blocks(page, "bat"):
        for line in block.replace("\\\n", " ").splitlines():
            found = COMMAND.match(line.strip())
            if found:
                yield shlex.split(found[1], comments=True)


def _spans(page: Path) -> Iterator[list[str]]:
    """Every `crosswise ...` inside a sentence, as words."""
    for code in re.findall(r"`([^`\n]+)`", FENCE.sub("", page.read_text(encoding="utf-8"))):
        found = COMMAND.match(code)
        if found:
            yield shlex.split(found[1])


def _command_names() -> set[str]:
    return {name for name in app if not name.startswith("-")}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    for link in LINK.findall(_prose(page)):
        if link.startswith("https://"):
            continue
        target, _, anchor = link.partition("#")
        file = (page.parent / target).resolve() if target else page
        assert file.exists(), f"{page.name}: {link} leads to no file"
        assert file.is_relative_to(ROOT), f"{page.name}: {link} leads out of the project"
        if anchor:
            assert anchor in _anchors(file), f"{page.name}: {link} leads to no heading"


def test_links_to_nothing_and_to_no_heading_would_be_seen(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(
        "# One thing: `a_b`\n\n[x](y.md#z) `[no](link.md)`\n\n```sh\n# no heading\n[no](link)\n```\n", "utf-8"
    )
    assert LINK.findall(_prose(page)) == ["y.md#z"]
    assert _anchors(page) == {"one-thing-a_b"}


def test_every_page_stands_in_the_index() -> None:
    listed = set(LINK.findall((DOCS / "README.md").read_text(encoding="utf-8")))
    assert {page.name for page in DOCS.glob("*.md") if page.name != "README.md"} <= listed


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_every_command_line_on_a_page_is_one_that_the_tool_takes(page: Path) -> None:
    for words in _commands(page):
        app.parse_args(words, exit_on_error=False, print_error=False)
    for words in _spans(page):
        if words and words != ["--help"]:
            assert words[0] in _command_names(), f"{page.name}: crosswise {words[0]}"
            options = {name for argument in app[words[0]].assemble_argument_collection() for name in argument.names}
            assert {word for word in words if word.startswith("--")} <= options, f"{page.name}: {' '.join(words)}"


def test_every_command_is_shown_to_users_and_to_contributors() -> None:
    for page in (GUIDE, ROOT / "DEVELOPERS.md"):
        shown = {words[0] for words in _commands(page) if words}
        assert shown >= _command_names(), f"{page.name} does not show {_command_names() - shown}"


def test_every_option_of_a_run_is_told_in_the_guide() -> None:
    guide = GUIDE.read_text(encoding="utf-8")
    for name in _command_names():
        for argument in app[name].assemble_argument_collection():
            assert any(option in guide for option in argument.names), f"{name} {argument.names}"


def test_every_make_target_that_is_told_exists_and_every_one_that_exists_is_told() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.search(r"^\.PHONY: (.+)$", makefile, re.MULTILINE)[1].split())
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `make (\w+)`", developers, re.MULTILINE)) == targets
    for page in PAGES:
        told = re.findall(r"`make ([a-z]+)", page.read_text(encoding="utf-8"))
        told += re.findall(r"^make ([a-z]+)", "\n".join(_blocks(page, "sh")), re.MULTILINE)
        assert set(told) <= targets, page.name


def test_the_numbers_of_the_reading_guide_are_those_of_the_demo() -> None:
    guide = (DOCS / "reading_the_strategy_report.md").read_text(encoding="utf-8")
    found = analyze(invent(DEMO_CASES, DEMO_SEED).tables, key=DEMO_KEY).edition
    differences = {
        (c.method, c.population): c.effect("risk_difference")
        for c in found.comparisons
        if (c.endpoint, c.profile) == (found.primary_endpoint, "all")
    }
    crude, fair = differences["crude", "observed"], differences["doubly_robust", "overlap"]
    assert f"from below looks {-100 * crude.estimate:.1f} points *worse*" in guide
    assert f"from below is {100 * fair.estimate:.1f} points *better*" in guide
    assert f"with an interval of {100 * fair.lower:.1f} to {100 * fair.upper:.1f}" in guide
    assert f"the main answer is {100 * fair.estimate:+.1f} points" in guide
    assert f"those started from below {100 * differences['doubly_robust', 'treated'].estimate:+.1f}" in guide
    assert f"among all {100 * differences['doubly_robust', 'all'].estimate:+.1f}" in guide
    severe = next(m for m in found.case_mix if m.label == "calcium: severe")
    assert f"{100 * severe.retrograde:.0f} % of the lesions started from below had severe calcium" in guide
    assert f"against {100 * severe.antegrade:.0f} % from above" in guide


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the guide takes it: an export in my_export, and the database of a run of it in my_report."""
    folder = tmp_path_factory.mktemp("guide")
    write_service(invent(300, 7), folder / "my_export")
    run(Request(folder / "my_export", folder / "my_report", key=DEMO_KEY), engine="direct")
    return folder


@pytest.mark.parametrize("page", [GUIDE, ROOT / "README.md"], ids=lambda p: p.relative_to(ROOT).as_posix())
def test_the_python_examples_run_as_they_stand(page: Path, service: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(service)
    examples = _blocks(page, "python")
    assert examples
    for example in examples:
        names: dict[str, object] = {}
        exec(compile(example, page.name, "exec"), names)  # noqa: S102 - our own examples
        if "main" in names:
            assert names["main"].height == 1
        if "bailouts" in names:
            assert names["bailouts"].height == 2


def test_the_sql_examples_run_as_they_stand_and_find_something(service: Path) -> None:
    examples = _blocks(GUIDE, "sql")
    assert examples
    with connect(service / "my_report" / "service.duckdb") as connection:
        for example in examples:
            assert connection.sql(example).fetchall()


def test_the_guide_explains_every_column_of_the_estimates() -> None:
    section = GUIDE.read_text(encoding="utf-8").split("\n### estimates.csv\n")[1].split("\n### ")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    assert [name for row in rows for name in re.findall(r"`(\w+)`", row)] == list(ESTIMATE_COLUMNS)


def test_the_committed_plan_page_is_what_the_plan_gives() -> None:
    assert PAGE.read_text(encoding="utf-8") == plan_page(), "run: python -m pipeline.plan_page"


def test_the_plan_page_has_every_field_with_its_meaning() -> None:
    told = re.findall(r"^\| `(\w+)` \|.*\| (.+?) \|$", plan_page(), re.MULTILINE)
    parts = [Plan, *(type(value) for _, value in Plan() if isinstance(value, BaseModel))]
    fields = [
        name for part in parts for name, field in part.model_fields.items() if not isinstance(field.default, BaseModel)
    ]
    assert sorted(name for name, _ in told) == sorted(fields)
    assert all(len(meaning.split()) > 3 for _, meaning in told)


def test_the_example_plan_is_a_plan(tmp_path: Path) -> None:
    (example,) = _blocks(PAGE, "toml")
    file = tmp_path / "plan.toml"
    file.write_text(example, encoding="utf-8")
    plan = load_plan(file)
    check_names(plan)
    assert plan.gates.fewest_in_arm == 30 and plan.hash != Plan().hash


def test_every_file_that_a_document_names_exists() -> None:
    named = re.compile(r"`((?:pipeline|models|reports|synthetic_data|tests|docs)/[\w/.]*\w)`")
    for page in PAGES:
        for path in named.findall(page.read_text(encoding="utf-8")):
            assert (ROOT / path).exists(), f"{page.name}: {path}"
    for name in re.findall(r"`(test_\w+\.py)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")):
        assert (ROOT / "tests" / name).exists(), name


def _tracked() -> list[Path]:
    git = shutil.which("git")
    if git and (ROOT / ".git").exists():
        listed = subprocess.run([git, "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
        return [ROOT / name for name in os.fsdecode(listed).split("\0") if name]
    folders = ("pipeline", "models", "reports", "synthetic_data", "tests", "docs", ".ci")
    found = [path for folder in folders for path in (ROOT / folder).rglob("*") if "__pycache__" not in path.parts]
    return [path for path in (*found, *ROOT.glob("*")) if path.is_file()]


def test_no_tracked_file_names_a_package_index_or_a_path_of_one_machine() -> None:
    files = [path for path in _tracked() if path.is_file()]
    assert ROOT / "pyproject.toml" in files
    for path in files:
        content = path.read_bytes()
        if b"\0" in content:
            continue  # a picture
        text = content.decode("utf-8", errors="ignore")
        found = [mark for mark in OF_ONE_MACHINE if mark in text]
        assert not found, f"{path.relative_to(ROOT)} names {found}"
