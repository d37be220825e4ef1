"""A text sheet on a terminal: the same lines, with what matters in colour. NO_COLOR and plain terminals get none."""

from re import escape

from service.cli.sheet_texts import SheetTexts
from service.rules.answer import Severity

STYLES: dict[Severity, str] = {"warning": "bold yellow", "critical": "bold red"}


def print_sheet(told: str, texts: SheetTexts) -> None:
    """Print a text sheet, line by line as it is."""
    from rich.console import Console  # noqa: PLC0415 - only for people at a terminal
    from rich.text import Text  # noqa: PLC0415 - same

    sheet = Text(told)
    for severity, style in STYLES.items():
        name = escape(texts.severities[severity])
        sheet.highlight_regex(rf"(?m)^(?:{name.upper()}|-  {name}):", style)
    sheet.highlight_regex(r"(?m)^\d+\. .+$", "bold")
    sheet.highlight_regex(r"(?m)^(?:=+|-+)$", "dim")
    Console(highlight=False).print(sheet, soft_wrap=True, end="")
