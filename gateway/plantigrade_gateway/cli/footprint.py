"""The commands `footprint …`: a page to print, photos of prints read and kept, and what is kept.

Arguments in, no work; `register` adds them to the command's group.
"""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from plantigrade_gateway.cli.arguments import PATH, Decorator, Number
from plantigrade_gateway.cli.players import opened_register
from plantigrade_gateway.errors import InputError, StoreError

if TYPE_CHECKING:
    from plantigrade.footprint import Marks

StoreOf = Callable[[click.Context], Path | None]


def register(
    group: click.Group, store_option: Decorator, json_option: Decorator, store_of: StoreOf
) -> None:
    """Add the commands to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.group()
    @store_option
    def footprint() -> None:
        """Read the arch index of bare footprints from photos."""

    @footprint.command()
    @click.argument("file", type=PATH)
    @click.option(
        "--paper",
        type=click.Choice(["a4", "letter"]),
        default="a4",
        show_default=True,
        help="What it is printed on.",
    )
    @click.option("--replace", is_flag=True, help="Write over a file that is there.")
    @store_option
    def target(file: Path, paper: str, replace: bool) -> None:
        """Write the page to print, a PDF with eight marks around the place for the foot."""
        from plantigrade_gateway.prints.target import target_page
        from plantigrade_gateway.words import PRINT_CAUTIONS

        _write(file, target_page(paper), replace=replace)
        click.echo(f"Written: {file}. Print it at 100 %.")
        for line in PRINT_CAUTIONS:
            click.echo(line)

    _add_read(footprint, store_option, store_of)
    _add_kept(footprint, store_option, json_option, store_of)


def _add_read(footprint: click.Group, store_option: Decorator, store_of: StoreOf) -> None:
    @footprint.command("read")
    @click.argument("player")
    @click.argument("foot", type=click.Choice(["left", "right"]))
    @click.argument("photos", type=PATH, nargs=-1, required=True)
    @click.option(
        "--how",
        type=click.Choice(["walking", "standing"]),
        required=True,
        help="How the print was made; walking is better, three a foot.",
    )
    @click.option(
        "--mirrored/--not-mirrored",
        default=None,
        help="Whether the photo is mirrored; asked for a plain sheet, seen on the target page.",
    )
    @click.option("--sheet", type=click.Choice(["a4", "letter"]), help="It lies on a plain sheet.")
    @click.option(
        "--corners", type=Number(), nargs=8, metavar="PX…", help="The sheet's, from its upper left."
    )
    @click.option("--level", type=Number(), default=0.5, show_default=True, help="The threshold.")
    @click.option("--heel", type=Number(), nargs=2, metavar="MM MM", help="Centre of the heel.")
    @click.option("--toe", type=Number(), nargs=2, metavar="MM MM", help="Tip of the second toe.")
    @click.option(
        "--line", type=Number(), nargs=4, metavar="MM…", help="Two points of the toe line."
    )
    @click.option("--flat", type=PATH, help="Write the flat picture, 2 pixels per mm, as JPEG.")
    @click.option("--keep", is_flag=True, help="Keep what was read.")
    @click.option("--keep-photo", is_flag=True, help="Keep the flat picture too.")
    @store_option
    @click.pass_context
    def read(
        ctx: click.Context,
        /,
        player: str,
        foot: str,
        photos: tuple[Path, ...],
        how: str,
        mirrored: bool | None,
        sheet: str | None,
        corners: tuple[float, ...] | None,
        level: float,
        flat: Path | None,
        keep: bool,
        keep_photo: bool,
        **given: tuple[float, ...] | None,
    ) -> None:
        """Read the prints of PLAYER's FOOT from PHOTOS, on the target page or a plain --sheet.

        Heel, second toe and toe line are guessed unless they are given, mm on the flat picture:
        look at --flat. Nothing is kept without --keep.
        """
        from plantigrade_gateway.foreign import read_file
        from plantigrade_gateway.people.prints import Footprint, Prints
        from plantigrade_gateway.prints.apart import MOST_PHOTO_BYTES, flat_of
        from plantigrade_gateway.prints.reading import read_print

        if sheet is not None and mirrored is None:
            raise InputError(
                "--sheet: say --mirrored or --not-mirrored, a plain sheet shows neither"
            )
        if keep_photo and not keep:
            raise InputError("--keep-photo: goes with --keep")
        marks = _marks(given)
        if len(photos) > 1 and (marks or corners or flat):
            raise InputError("--heel, --toe, --line, --corners and --flat are of one photo")
        for photo in photos:
            seen = flat_of(
                read_file(photo, f"photo {photo}", MOST_PHOTO_BYTES),
                paper=sheet,
                corners=None if corners is None else list(zip(*[iter(corners)] * 2, strict=True)),
                mirrored=bool(mirrored),
            )
            if flat is not None:
                _write(flat, seen.jpeg, replace=False)
            found = read_print(seen, level, marks)
            one = Footprint.of(
                found.index,
                found.marks,
                foot=foot,
                how=how,
                is_mirrored=seen.mirrored,
                level=level,
                sheet=seen.sheet,
            )
            click.echo(one.said + ("" if marks else " Heel, toe and toe line are guessed."))
            if keep:
                with opened_register(store_of(ctx)) as people:
                    player_id = people.find(player).player_id
                    Prints(people).keep(player_id, one, seen.jpeg if keep_photo else None)
                click.echo("Kept.")


def _add_kept(
    footprint: click.Group, store_option: Decorator, json_option: Decorator, store_of: StoreOf
) -> None:
    @footprint.command("list")
    @click.argument("player")
    @json_option
    @store_option
    @click.pass_context
    def list_(ctx: click.Context, player: str, as_json: bool) -> None:
        """Show PLAYER's prints, and the arch index of each foot over them."""
        from plantigrade_gateway.converter import plain, text_of
        from plantigrade_gateway.people.prints import Prints, indices
        from plantigrade_gateway.people.profile import FEET

        with opened_register(store_of(ctx)) as people:
            taken = Prints(people).of(people.find(player).player_id)
        if as_json:
            click.echo(text_of({"schema": 1, "prints": plain(taken)}))
            return
        for one in taken:
            picture = ", with picture" if one.has_picture else ""
            click.echo(f"{one.print_id[:8]} {one.when:%Y-%m-%d} {one.footprint.said[:-1]}{picture}")
        for foot in FEET:
            for how, index in indices(taken, foot).items():
                click.echo(
                    f"{foot}, {how}: arch index {index.index:.3f} "
                    f"({index.low:.3f} to {index.high:.3f}), {index.arch}, n = {index.n}"
                )
        click.echo("An index of area: no load share is to be compared with it.")

    @footprint.command()
    @click.argument("player")
    @click.argument("print_id")
    @store_option
    @click.pass_context
    def remove(ctx: click.Context, player: str, print_id: str) -> None:
        """Take a print of PLAYER away; its picture for good."""
        from plantigrade_gateway.people.prints import Prints

        with opened_register(store_of(ctx)) as people:
            prints, player_id = Prints(people), people.find(player).player_id
            named = [one for one in prints.of(player_id) if one.print_id.startswith(print_id)]
            if len(named) != 1:
                raise StoreError(f"print {print_id[:8]}: {len(named)} begin so, expected one")
            prints.take_away(player_id, named[0].print_id)
        click.echo("Taken away.")


def _marks(given: dict[str, tuple[float, ...] | None]) -> "Marks | None":
    from plantigrade.footprint import Marks

    heel, toe, line = given["heel"], given["toe"], given["line"]
    if heel is None and toe is None and line is None:
        return None
    if heel is None or toe is None or line is None:
        raise InputError("--heel, --toe and --line: give all three or none")
    return Marks((heel[0], heel[1]), (toe[0], toe[1]), ((line[0], line[1]), (line[2], line[3])))


def _write(path: Path, data: bytes, *, replace: bool) -> None:
    """Write a file, which appears whole or not at all."""
    from plantigrade_gateway.report.staging import staging_in

    if path.exists() and not replace:
        raise InputError(f"{path}: is there already")
    try:
        with staging_in(path.parent) as folder:
            whole = folder / path.name
            whole.write_bytes(data)
            whole.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error
