"""Words that were given up are in no page, command, sheet or document; each one in use is explained."""

from __future__ import annotations

import ast
import importlib.util
import re
from pathlib import Path

import pytest

from falsework.auditing.value import FindingLevel
from falsework.release.state import ReleaseState
from falsework.request.standing import Standing
from falsework.wording import terms
from retired import retired_in

ROOT = Path(__file__).parents[2]
SOURCES = [path for path in (ROOT / "src/falsework").rglob("*.py") if "kernels" not in path.parts]
SCRIPTS = [
    *(ROOT / "src/falsework/bench/page/js").rglob("*.js"),
    *(ROOT / "src/falsework/report/page").glob("*.js"),
]
PAGES = [
    path
    for folder in ("report/page", "bench/page")
    for path in (ROOT / "src/falsework" / folder).glob("*")
    if path.suffix in (".html", ".typ")
]
DOCS = [*(ROOT / "docs").rglob("*.md"), ROOT / "README.md"]
OWN_NAMES = {"dig out", "other lie", "another lie"}  # codes and earlier documents
GLOSSARY = (ROOT / "docs/glossary.md").read_text("utf-8")


def strings_of(path: Path) -> list[str]:
    """What a module may show: its texts, less docstrings but for those of commands, less words of code."""
    tree = ast.parse(path.read_text("utf-8"))
    silent = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Module | ast.AsyncFunctionDef):
            commands = [ast.unparse(one) for one in getattr(node, "decorator_list", [])]
            if not any("command" in one or "group" in one for one in commands):
                silent |= {id(one.value) for one in node.body if isinstance(one, ast.Expr)}
        if isinstance(node, ast.Assign | ast.AnnAssign) and path.parts[-2:] == ("droop", "parameters.py"):
            silent |= {id(one) for one in ast.walk(node)}  # the model's own words, on its own page
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent
        if " " in node.value and node.value not in OWN_NAMES
    ]


def scripts_of(path: Path) -> list[str]:
    """Texts of a script, without what stands in ``${}`` and without comments."""
    text = re.sub(r"/\*.*?\*/|^\s*//.*?$", "", path.read_text("utf-8"), flags=re.S | re.M)
    return [
        re.sub(r"\$\{[^}]*\}", "#", found)
        for pair in re.findall(r'"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`', text)
        for found in pair
        if " " in found and "\n" not in found  # shaders are not shown
    ]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT / "src/falsework")))
def test_no_source_shows_a_retired_word(path: Path) -> None:
    assert [found for text in strings_of(path) if (found := retired_in(text))] == []


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_no_script_shows_a_retired_word(path: Path) -> None:
    assert [found for text in scripts_of(path) if (found := retired_in(text))] == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_no_page_shows_a_retired_word(path: Path) -> None:
    text = re.sub(r"\{[{%].*?[%}]\}|<[^>]+>", " ", path.read_text("utf-8"))
    assert retired_in(text) == []


@pytest.mark.parametrize("path", DOCS, ids=lambda path: path.name)
def test_no_document_has_a_retired_word(path: Path) -> None:
    """But for names of files, fields and codes, which stand as code."""
    text = re.sub(r"```.*?```|`[^`]*`|^\| `.*?$", "`", path.read_text("utf-8"), flags=re.S | re.M)
    assert retired_in(text, sag=False) == []


def test_the_glossary_has_every_word_of_the_lists() -> None:
    told = {word.strip() for row in re.findall(r"^\| ([^|]+) \|", GLOSSARY, re.M) for word in row.split(",")}
    told |= {row.strip() for row in re.findall(r"^\| ([^|]+) \|", GLOSSARY, re.M)}
    lists = (map(str, Standing), map(str, ReleaseState), map(str, FindingLevel), ("weave", *terms.BASIS))
    lacking = [
        word
        for words in lists
        for word in words
        if word not in told and word not in GLOSSARY.replace("\n", " ")
    ]
    assert lacking == []
    for row in re.findall(r"^\| (?!term|-)([^|]+) \| ([^|]+) \|", GLOSSARY, re.M):
        assert row[1].strip() and "." not in row[1].strip()[:-1].replace("docs.", ""), row


def test_every_term_has_its_picture_and_the_pictures_are_as_they_are_drawn() -> None:
    path = ROOT / "docs/pictures/make_glossary.py"
    spec = importlib.util.spec_from_file_location("make_glossary", path)
    assert spec is not None and spec.loader is not None
    drawn = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(drawn)
    rows = re.findall(
        r"^\| (?!term|-)([^|]+) \| [^|]+ \| !\[\]\(pictures/glossary/([^)]+)\) \|$", GLOSSARY, re.M
    )
    assert {term for term, _ in rows} == set(drawn.PICTURES)
    for term, name in rows:
        assert name == drawn.file_name(term)
        assert (drawn.FOLDER / name).read_text("utf-8") == drawn.picture(term), "run make_glossary.py"
    assert {path.name for path in drawn.FOLDER.iterdir()} == {name for _, name in rows}
