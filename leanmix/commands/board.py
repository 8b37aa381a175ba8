"""`leanmix board`: find boards, ask them, revert to the table before, and run a virtual one."""

from __future__ import annotations

import time
from pathlib import Path

import click

from leanmix.commands._common import emit_json, json_option, machine_argument, save_out, talk
from leanmix.commands._ports import cautioned, identity_json, identity_lines, port_option, progress_bar, yes_option


@click.group("board")
def command() -> None:
    """Find boards, ask them, compare and revert their tables, run a virtual board.

    Example: leanmix board identify --port virtual
    """


@command.command("list")
@json_option
def list_ports(as_json: bool) -> None:
    """List the serial ports of this computer.

    Example: leanmix board list
    """
    from leanmix.board import find_ports

    ports = find_ports()
    if as_json:
        emit_json("ports", {"ports": [{"port": p.port, "what": p.what, "usb_serial": p.usb_serial} for p in ports]})
        return
    for p in ports:
        click.echo(f"{p.port:<20} {p.what}" + (f"  (USB serial {p.usb_serial})" if p.usb_serial else ""))
    if not ports:
        talk("No serial port found. Plug the board in; --port virtual works without one.")


@command.command("identify")
@port_option
@json_option
def identify(port: str, as_json: bool) -> None:
    """Say which board this is, what it runs, and what it has counted.

    Example: leanmix board identify --port virtual
    """
    from leanmix.board import open_board
    from leanmix.journal import Journal

    with open_board(port) as board:
        identity, counters = board.identity, board.counters()
    kept = None
    if identity.machine_hash:
        with Journal.open() as journal:
            kept = journal.file_of(bytes.fromhex(identity.machine_hash))
    if as_json:
        made_by = None if kept is None else {"name": kept.name, "machine": kept.machine, "sha256": kept.digest.hex()}
        emit_json("board", {"board": identity_json(identity), "counters": counters, "machine_file": made_by})
        return
    for line in identity_lines(identity):
        click.echo(line)
    if identity.machine_hash:
        click.echo(
            "made from "
            + (f"{kept.name}, kept in the journal" if kept else "a file that this computer's journal does not hold")
        )
    click.echo(
        f"counted   starts: {counters.power_starts} power, {counters.reset_pin_starts} pin, {counters.brown_out_starts} brown-out, "
        f"{counters.watchdog_starts} watchdog; {counters.missed_frames} frames without steering, "
        f"{counters.rejected_pulses} pulses refused, {counters.crc_errors + counters.frame_errors} bad messages, "
        f"{counters.storage_writes} bytes stored"
    )


@command.command("live")
@port_option
@json_option
@click.option("--seconds", type=click.FloatRange(0, 3600), default=0.0, help="Go on for so long; 0 reads once.")
def live(port: str, as_json: bool, seconds: float) -> None:
    """Read what the board gets and gives now.

    Example: leanmix board live --port virtual
    """
    from leanmix.board import open_board

    with open_board(port) as board:
        end = time.monotonic() + seconds
        while True:
            now = board.live()
            if as_json:
                emit_json("live", {"live": {
                    "steering_us": now.steering_us, "amount": now.amount, "outputs_us": list(now.outputs_us),
                    "supply_V": now.supply_V, "mode": now.mode.name.lower(), "bad_frames": now.bad_frames,
                    "flags": [f.name.lower() for f in now.flags if f.name],
                }})  # fmt: skip
            else:
                steering = "none" if now.steering_us is None else f"{now.steering_us:g} µs"
                outs = ", ".join("off" if p is None else f"{p:g} µs" for p in now.outputs_us)
                supply = "not measured" if now.supply_V is None else f"{now.supply_V:.2f} V"
                flags = ", ".join(f.name.lower().replace("_", " ") for f in now.flags if f.name) or "nothing unusual"
                click.echo(
                    f"steering {steering}; servos {outs}; lean amount {100 * now.amount:.0f} %; supply {supply}; {flags}"
                )
            if time.monotonic() >= end:
                return
            time.sleep(0.1)


@command.command("read")
@port_option
@click.option("--previous", is_flag=True, help="The table that a revert would bring back.")
@click.option("-o", "--out", required=True, metavar="FILE", help="Where to write the image.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def read(port: str, previous: bool, out: str, force: bool) -> None:
    """Read a board's table into a file.

    Example: leanmix board read --port virtual -o table.bin
    """
    from leanmix.board import open_board
    from leanmix.errors import BoardRefused

    with open_board(port) as board:
        image = board.read_image(previous=previous)
    if image is None:
        raise BoardRefused("The board holds no such table.", "See: leanmix board identify")
    save_out(out, image, force=force)


@command.command("diff")
@machine_argument
@port_option
@json_option
def diff(file: str, port: str, as_json: bool) -> None:
    """Hold the board's table against the one of FILE, in µs and degrees; status 1 where they differ.

    Example: leanmix board diff demo:tarn --port virtual
    """
    from leanmix.board import open_board
    from leanmix.commands._common import load
    from leanmix.commands._differences import difference_json, difference_lines
    from leanmix.job import work_out

    job = work_out(load(file))
    with open_board(port) as board:
        held = board.read_image()
    found = job.difference(held)
    if as_json:
        emit_json("diff", {"difference": None if found is None else difference_json(found)}, job.source)
    else:
        for line in difference_lines(found):
            click.echo(line)
    if found is None or not found.same:
        raise click.exceptions.Exit(1)


@command.command("revert")
@port_option
@yes_option
@json_option
def revert(port: str, yes: bool, as_json: bool) -> None:
    """Go back to the table that the board held before, and verify it.

    Example: leanmix board revert --port virtual
    """
    from leanmix.board import open_board
    from leanmix.journal import Journal, revert_and_record

    cautioned(yes, port)
    with open_board(port) as board, Journal.open() as journal:
        done = revert_and_record(board, journal, progress_bar("reverting"))
    if as_json:
        emit_json("revert", {"outcome": done.outcome, "seconds": done.seconds, "board": identity_json(done.identity)})
        return
    for line in identity_lines(done.identity):
        click.echo(line)
    click.echo("Reverted and read back equal.")


@command.command("firmware")
@click.option("-o", "--out", required=True, metavar="FILE", help="Where to write the firmware, Intel HEX.")
@click.option("--wiring", metavar="FILE", help="Where to write the wiring drawing, .svg or .png.")
@click.option("--force", is_flag=True, help="Write over files that are there already.")
def firmware(out: str, wiring: str | None, force: bool) -> None:
    """Hand out the ATmega328P firmware, with wiring, fuses and the programmer's commands.

    Example: leanmix board firmware -o firmware.hex --wiring wiring.svg
    """
    from leanmix.board import FUSES, HARDWARE_CAUTIONS, WIRES, firmware_hex, programmer_lines, wiring_drawing
    from leanmix.drawing import to_png, to_svg

    if wiring is not None and not wiring.endswith((".svg", ".png")):
        raise click.UsageError(f"{wiring}: a drawing is written as .svg or .png.")
    save_out(out, firmware_hex(), force=force)
    if wiring is not None:
        drawing = wiring_drawing()
        save_out(wiring, to_svg(drawing) if wiring.endswith(".svg") else to_png(drawing, 150), force=force)
    click.echo("Wiring")
    for wire in WIRES:
        click.echo(f"  {wire.pin:<4} {wire.role:<15} {wire.to}" + ("" if wire.needed else " (optional)"))
    click.echo("Fuses")
    for name, value, why in FUSES:
        click.echo(f"  {name:<9} 0x{value:02X}  {why}")
    click.echo("With a general AVR programmer (PROGRAMMER and PORT are yours), fuses once, then the firmware:")
    for line in programmer_lines(out):
        click.echo(f"  {line}")
    click.echo("Cautions")
    for caution in HARDWARE_CAUTIONS:
        click.echo(f"  {caution}")


@command.command("virtual")
@click.option("--storage", type=click.Path(dir_okay=False, path_type=Path), help="File for its EEPROM.")
@click.option("--seconds", type=click.FloatRange(0.1), help="End by itself after so long.")
def virtual(storage: Path | None, seconds: float | None) -> None:
    """Keep a virtual board running and print its port, until Ctrl-C.

    Example: leanmix board virtual
    """
    from leanmix.board import VirtualBoard, virtual_storage

    with VirtualBoard(storage or virtual_storage()) as board:
        click.echo(board.port)
        talk("A virtual board answers there. Ctrl-C ends it.")
        try:
            end = None if seconds is None else time.monotonic() + seconds
            while end is None or time.monotonic() < end:
                time.sleep(0.1)
        except KeyboardInterrupt:
            talk("ended.")
