"""The option that chooses the language of what a command says."""

import click

from service.policy.languages import ENGLISH, language_codes

language_option = click.option(
    "--language",
    type=click.Choice(language_codes()),
    default=ENGLISH,
    show_default=True,
    help="Language of the texts.",
)
