"""The README's commands are those that CI runs, and the documents name what there is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from geotools.steps import list_steps

REPOSITORY = Path(__file__).parents[1]
README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)


def test_ci_runs_the_two_commands_of_the_readme() -> None:
    ci = (REPOSITORY / ".ci" / "run").read_text(encoding="utf-8")
    for command in COMMANDS[:2]:
        assert command.strip() in ci


@pytest.mark.parametrize("word", ["run", "check", "steps", "height", "survey", "inspect", "offer", "serve"])
def test_readme_shows_every_command(word: str) -> None:
    assert f"bajada {word}" in README


def test_developers_guide_names_every_subject() -> None:
    for path in (REPOSITORY / "geotools").iterdir():
        if path.name[0] not in "_." and path.suffix in ("", ".py"):
            assert f"`{path.stem}`" in DEVELOPERS, path.stem


def test_every_step_is_used_by_a_plan_or_a_command() -> None:
    plans = "".join(path.read_text(encoding="utf-8") for path in (REPOSITORY / "pipelines").glob("*.toml"))
    package = REPOSITORY / "geotools"
    runner = [package / "cli.py", *sorted((package / "pipeline").glob("*.py"))]
    commands = "".join(path.read_text(encoding="utf-8") for path in runner)
    for name in list_steps():
        assert f'"{name}"' in plans + commands, f"no pipeline and no command uses {name}"


def test_links_in_the_documents_lead_somewhere() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\((?!https?:)([^)#]+)", text):
            assert (REPOSITORY / target).exists(), target
