"""The one exception that carries a sentence for the user."""

import click


class UserError(click.ClickException):
    """One clear sentence that says what is wrong and what to do; exit code 1, no traceback."""

    exit_code = 1
