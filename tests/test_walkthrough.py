"""README's chapter from question to answer: as its template says, with commands that there are."""

import re

import pytest
from typer.main import get_command

from conftest import ROOT
from heatwake.cli import app


@pytest.fixture(scope="module")
def chapter() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return text.partition("<!-- walkthrough -->\n")[2].partition("\n<!-- end of walkthrough -->")[0]


def test_the_chapter_is_the_template_filled_in(chapter):
    template = (ROOT / "workflows" / "walkthrough.md").read_text(encoding="utf-8").strip()
    pattern = re.sub(r"\\{\\{\\ \w+\\ \\}\\}", "(.+?)", re.escape(template))
    filled = re.fullmatch(pattern, chapter, re.DOTALL)
    assert filled
    assert "{{" not in chapter


def test_its_commands_and_pictures_are_there(chapter):
    commands = get_command(app).commands  # type: ignore[attr-defined]
    used = re.findall(r"^\$ heatwake (\S+)", chapter, re.MULTILINE)
    assert used == ["plan", "corners", "inspect", "run", "next"]
    assert set(used) <= set(commands)
    pictures = re.findall(r"!\[.+?\]\((.+?)\)", chapter)
    assert pictures
    assert all((ROOT / picture).is_file() for picture in pictures)
