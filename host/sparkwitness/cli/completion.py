"""`sparkwitness completion`: commands, options and names completed by the shell."""

import click
from click.shell_completion import get_completion_class

_SHELLS = ("bash", "zsh", "fish")


@click.command()
@click.argument("shell", type=click.Choice(_SHELLS))
def command(shell: str) -> None:
    """Print the completion for a shell.

    \b
    bash: sparkwitness completion bash > \\
              ~/.local/share/bash-completion/completions/sparkwitness
    zsh:  sparkwitness completion zsh > _sparkwitness   (in a folder of $fpath)
    fish: sparkwitness completion fish > ~/.config/fish/completions/sparkwitness.fish
    """
    from sparkwitness.cli import main

    kind = get_completion_class(shell)
    assert kind is not None
    made = kind(main, {}, "sparkwitness", "_SPARKWITNESS_COMPLETE")
    click.echo(made.source_template % made.source_vars())
