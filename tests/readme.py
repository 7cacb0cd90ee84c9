"""The generated parts of README.md: `python -m tests.readme` writes them, `test_readme.py` holds them to it."""

import re
from pathlib import Path

from click.testing import CliRunner

from master_check.cli import cli
from master_check.judgement.profile_files import available, load_profile, shipped_folder
from master_check.tables.quantities import QUANTITIES

README = Path(__file__).parent.parent / "README.md"


def profiles() -> str:
    rows = ["| profile | for | source |", "|---|---|---|"]
    for path in sorted(shipped_folder().glob("*.toml")):
        head = load_profile(path)
        rows.append(f"| `{head.name}` | {head.title} | {head.source} |")
    return "\n".join(rows)


def quantities() -> str:
    rows = ["| key | what it is |", "|---|---|"]
    rows += [f"| `{q.key}` | **{q.title}.** {q.meaning} |" for q in QUANTITIES.values()]
    return "\n".join(rows)


def help_texts() -> str:
    texts = []
    for words in [[], *([name] for name in cli.commands)]:
        result = CliRunner().invoke(cli, [*words, "--help"], prog_name="sendoff", terminal_width=80)
        texts.append(f"```\n$ {' '.join(['sendoff', *words, '--help'])}\n{result.stdout.rstrip()}\n```")
    return "\n\n".join(texts)


PARTS = {"profiles": profiles, "quantities": quantities, "help": help_texts}


def rendered(text: str) -> str:
    """README's text with every generated part as the program has it now."""
    for name, part in PARTS.items():
        pattern = rf"(<!-- generated: {name} -->\n).*?(<!-- end -->)"
        text, found = re.subn(pattern, lambda m, p=part: f"{m[1]}\n{p()}\n\n{m[2]}", text, flags=re.DOTALL)  # type: ignore[misc]
        assert found == 1, name
    return text


if __name__ == "__main__":
    README.write_text(rendered(README.read_text("utf-8")), "utf-8")
    print(f"{README}: {len(available())} profiles, {len(QUANTITIES)} quantities")
