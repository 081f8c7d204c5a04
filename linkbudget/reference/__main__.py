"""``python -m linkbudget.reference FOLDER``: write the API reference as HTML files."""

from __future__ import annotations

from pathlib import Path

import click

from linkbudget.reference.names import PACKAGE


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
def main(folder: Path) -> None:
    """Write the API reference as HTML files into FOLDER, to be opened in a browser at index.html."""
    try:
        from linkbudget.reference.pages import all_pages

        pages = all_pages()
    except ModuleNotFoundError as error:
        # It tells of modules that need pytest and hypothesis, as those who use them have them.
        needed = f'"{PACKAGE}[rig]"'
        raise click.UsageError(f"the reference needs {error.name}: pip install {needed} brings it") from error
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in pages.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise click.UsageError(
            f"{error.filename}: {error.strerror}; expected a folder to write to"
        ) from error
    click.echo(f"{folder / 'index.html'} and {len(pages) - 1} files beside it")


if __name__ == "__main__":
    main(prog_name=f"python -m {PACKAGE}.reference")
