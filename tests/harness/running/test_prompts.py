"""`tareline run qualify` by hand, at a terminal: what a prompt takes for an answer."""

from harness.evaluation.read_back import read_run
from harness.run_file.run import OPERATORS_NOTE
from tests.harness.production_bench import AtTheBench, production_station

ITEM = "PIG-0451"


def test_nothing_typed_before_a_prompt_confirms_it(benches, tmp_path):
    """Five Enters while it is still normalizing make no insertion. Help and a note are not "done";
    redo begins a new file, stop ends in order, and the run can be gone on with."""
    bench = benches["vector"]
    production_station(bench, tmp_path, by_hand=True)
    person = AtTheBench(bench, tmp_path, "--item", ITEM, "--insertions", "5", procedure="qualify")
    try:

        def answers(expected, line, does=None):
            shown = " ".join(person.prompt().split())
            assert expected in shown, shown
            if does is not None:
                person.does(does)
            person.type(line)

        answers("Join the two leads", "", does="through")
        person.sends(b"\r\r\r\r\r")
        answers("insertion 1 of 5", "/help")
        answers("/redo measure this item", "/note new strap")
        answers("Noted.", "/by-hand")
        answers("Nothing is watched now", "", does=ITEM)
        answers("insertion 2 of 5", "/redo")
        answers(f"{ITEM} is measured from the start; what was read is kept.", "", does="through")
        answers("insertion 1 of 5", "/stop")
        shown, status = person.ended()
    finally:
        person.close()
    assert status == 1
    assert "left by the operator (/stop); RF is off; 4 finished sweeps" in " ".join(shown.split())
    # within the same second the second one has a number, which sorts before the other's name
    written = (tmp_path / "results").glob("*.h5")
    first, second = sorted(written, key=lambda path: read_run(path).events[0].time)
    assert f"tareline resume results/{second.name}" in shown
    runs = [read_run(path) for path in (first, second)]
    assert not any(run.finished for run in runs)
    assert [e.text for e in runs[0].events if e.kind == OPERATORS_NOTE] == ["new strap"]
    made = [[e.text for e in run.events if e.kind == "connection"] for run in runs]
    assert [sum("insertion" in text for text in texts) for texts in made] == [1, 0]
