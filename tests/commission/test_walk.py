"""`dustcake commission` at a terminal: step by step, left and taken up again."""

from pathlib import Path

from commission.plant import Fitter, commission, new_filters, write_settings
from system_support.device import device
from system_support.processes import Daemons, dustcake


async def test_it_asks_shows_cautions_and_goes_on_where_it_was_left(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(new_filters()) as plant:
        daemon = await daemons.start(write_settings(tmp_path, plant.port))
        command = ("commission", "--settings", daemon.settings)
        typed = ["a", "l", "9", "", "1", "b", "", "40", "q"]
        first = await dustcake(*command, input_text="\n".join(typed))
        assert first.code == 0
        assert "PASSED: dP reads" in first.out
        assert "CAUTION: Isolate the transmitter" in first.out
        assert "Set points and mode" in first.out
        assert "Left. All that was done is on record" in first.out
        again = await dustcake(*command, input_text="c\nno manometer here\na\n")
        assert "passed     transmitter" in again.out
        assert "SKIPPED: left out: no manometer here" in again.out
        assert "blower stands still, and is locked out" in again.out
        assert await Fitter(daemon).state("span") == "skipped"


async def test_what_is_wrong_with_the_command_is_said(tmp_path: Path, daemons: Daemons) -> None:
    async with device(new_filters()) as plant:
        file = write_settings(tmp_path, plant.port)
        alone = await commission(file, "--list")
        assert alone.code == 3
        assert "The daemon carries the steps out" in alone.err
        fitter = Fitter(await daemons.start(file))
        for arguments, code, said in (
            (("--do", "read"), 2, "--do and --set go with --step"),
            (("--collector", "x"), 2, "no such collector in the settings; name one of hall-1"),
            (("--step", "x"), 2, "--step: one of transmitter"),
            (("--step", "zero", "--do", "take", "--set", "still"), 2, "write NAME=ANSWER"),
            (("--step", "zero", "--do", "take", "--set", "still=yes"), 1, "refused: first comes"),
            (("--report", "x.doc"), 2, "ends in .html or .pdf"),
            (("--report", "/nowhere/x.html"), 1, "No such file or directory"),
            (("--copy", tmp_path / "c.toml"), 1, "nothing has been chosen or proposed"),
            (("--answers", tmp_path / "none"), 2, "give lines like"),
        ):
            done = await fitter.says(*arguments)
            assert (done.code, said in done.err) == (code, True), done
        shown = await fitter.says("--step", "valves")
        assert "CAUTION: The header holds energy" in shown.out
        assert "pulse      Pulse it once (valve, clear)" in shown.out
        assert (await fitter.says("--new")).code == 0
