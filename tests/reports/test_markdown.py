"""The Markdown report: what it must say, and that nothing in it acts."""

from dataclasses import replace

from hil.outcomes import Outcome
from hil.reports.markdown import run_to_markdown
from hil.results import LoadedFile, SettingRead


def test_a_virtual_run_says_first_that_no_real_robot_was_tested(virtual_run, real_run):
    lines = run_to_markdown(virtual_run).splitlines()
    assert lines[0] == "# Test report: virtual robot virtual"
    assert lines[2].startswith("> **No real robot was tested.**")
    assert "faults: wheel-mismatch=0.25 %, lost-bytes=0.1 %" in lines[2]
    assert "No real robot" not in run_to_markdown(real_run)


def test_every_verdict_stands_in_the_table_of_its_suite(virtual_run):
    text = run_to_markdown(virtual_run)
    assert (
        "| blind-legs | lateral_offset | 7.40 ± 0.69 mm | 0 ± 5 mm | &lt; 0.001 | **failed** "
        "| 2.40 mm beyond the limit 5 mm. | robot |" in text
    )
    assert "| half-turns | contacts | 0 in 10 | = 0 | – | passed | 0 in 10: below 26 % at 95 %. | robot |" in text
    assert "| straight-line | Straight run, back and forth | error | 3 | 1 | 2 | 1 | 1 |" in text


def test_all_that_is_not_good_is_listed_first(virtual_run):
    text = run_to_markdown(virtual_run)
    attention = text[text.index("### What needs attention") : text.index("## straight-line")]
    assert [line.split("**")[1] for line in attention.splitlines() if line.startswith("- ")] == [
        "failed", "undecided", "undecided", "skipped", "error",
    ]  # fmt: skip


def test_texts_of_others_are_shown_and_do_nothing(virtual_run, real_run):
    text = run_to_markdown(virtual_run)
    assert "&lt;b&gt;hello&lt;/b&gt; &amp; 'goodbye'\\\\x00\\\\x07." in text
    assert "A \\| b." in text
    assert "\x1b" not in text
    noted = run_to_markdown(replace(real_run, notes=("![x](http://a/b.png) `code` *bold* a_b _it_ <img src=x>",)))
    assert "!\\[x\\](http://a/b.png) \\`code\\` \\*bold\\* a_b \\_it\\_ &lt;img src=x&gt;" in noted


def test_every_row_of_a_table_has_as_many_cells_as_its_head(virtual_run):
    cells = None
    for line in run_to_markdown(virtual_run).splitlines():
        if not line.startswith("|"):
            cells = None
            continue
        found = line.replace("\\|", "").count("|")
        assert cells in (None, found)
        cells = found


def test_conditions_are_stated_or_said_to_be_missing(virtual_run):
    # Ranges of ISO 18646-2:2019: 10 to 30 °C, 0 to 80 %, 100 to 1000 lx, friction 0.6 to 1.0.
    text = run_to_markdown(virtual_run)
    assert "| air temperature | 21.5 °C | 10..30 °C |" in text
    assert "| relative humidity | not stated | 0..80 % |" in text
    assert "| illuminance | not stated | 100..1000 lx |" in text
    assert "| floor friction | 0.4 (outside) | 0.6..1 |" in text


def test_a_run_that_did_not_begin_says_why(real_run):
    text = run_to_markdown(replace(real_run, suites=(), trouble=Outcome.ERROR, reason="There is no such port."))
    assert "## Outcome: error" in text
    assert "**error:** There is no such port." in text


def test_an_interrupted_run_says_so(real_run):
    assert "The run was interrupted" in run_to_markdown(replace(real_run, is_interrupted=True))


def test_settings_that_changed_or_lie_outside_are_marked(real_run):
    def read(name, before, after):
        return SettingRead(name=name, unit="um", lowest=-100.0, highest=100.0, before=before, after=after)

    rows = (
        read("same", 5.0, 5.0),
        read("drifted", 0.0, 120.0),
        read("outside", 500.0, None),
        read("unread", None, None),
    )
    loaded = LoadedFile(name="walls|h", sha256="ab" * 32)
    text = run_to_markdown(replace(real_run, settings=rows, loaded=loaded))
    assert "| same | 5 um | 5 um | -100..100 um |  |" in text
    assert "| drifted | 0 um | 120 um | -100..100 um | **changed**, **outside** |" in text
    assert "| outside | 500 um | – | -100..100 um | **outside** |" in text
    assert "| unread | – | – | -100..100 um |  |" in text
    assert f"| settings loaded | walls\\|h, SHA-256 {'ab' * 32} |" in text
    assert "Settings of the firmware" not in run_to_markdown(real_run)
