"""The drawing as DXF: dimensions read back, everything literal, same bytes, opens elsewhere."""

from __future__ import annotations

import hashlib
import io
import json
import os
import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import ezdxf
import pytest
from ezdxf.tools.text import plain_mtext

from labkit.catalog.profiles import Profile
from labkit.catalog.rods import rod_templates
from labkit.core.label.lettering import Arc, Line
from labkit.core.rod.rods import FlatBar
from labkit.documents.drawing import Dimension, Stroke
from labkit.documents.rod_drawing import draw, to_dxf
from labkit.documents.rod_drawing.dxf import literal_pieces
from labkit.documents.svg import to_svg
from tests.documents.samples import sample_spec
from tests.support.drawings import large, prescription, sheet_for, single
from tests.support.prescriptions import changed

ROWS = sorted(rod_templates())
ROOT = Path(__file__).parents[2]
GOLDEN = json.loads((ROOT / "tests/golden/dimensions.json").read_text("utf-8"))
HOSTILE = "%%c50 \\P{x}^J %%% \\U+0041 #x <b>&\""


def read(content: bytes):
    return ezdxf.read(io.StringIO(content.decode("utf-8")))


def measured(document) -> list[tuple[str, float, str]]:
    """Every dimension: layer, size measured from its points, words."""
    found = []
    for one in document.modelspace().query("DIMENSION"):
        factor = document.dimstyles.get(one.dxf.dimstyle).dxf.dimlfac
        found.append((one.dxf.layer, one.get_measurement() * factor, plain_mtext(one.dxf.text)))
    return found


@pytest.mark.parametrize("name", ROWS)
@pytest.mark.parametrize("length", ["22.3", "33.6", "58.0"])
def test_dimensions_read_back_equal_template_and_length(name, length):
    template = rod_templates()[name]
    spec = single(name, length)
    document = read(to_dxf(draw(spec)))
    sizes = measured(document)
    body, lower, upper = template.body, template.lower, template.upper
    wanted = [float(length), template.label.depth_mm]
    if isinstance(body, FlatBar):
        wanted += [body.height_mm, body.thickness_mm, body.edge_radius_mm, body.blend_radius_mm]
    else:
        wanted += [body.diameter_mm, body.diameter_mm - body.flat_depth_mm]
    for fitting in (lower, upper):
        wanted += [
            getattr(fitting, field) for field in (
                "bore_diameter_mm", "boss_diameter_mm", "pin_diameter_mm", "pin_length_mm",
                "lip_diameter_mm", "lip_thickness_mm", "ball_diameter_mm", "neck_diameter_mm",
                "neck_length_mm", "root_radius_mm", "edge_mm",
            ) if hasattr(fitting, field)
        ]
    values = [value for _, value, _ in sizes]
    for size in wanted:
        assert any(value == pytest.approx(size, abs=1e-5) for value in values), (size, sizes)
    assert f"L = {length}" in " ".join(words for *_, words in sizes)
    for one in document.modelspace().query("DIMENSION"):
        factor = document.dimstyles.get(one.dxf.dimstyle).dxf.dimlfac
        assert one.dxf.actual_measurement == pytest.approx(
            one.get_measurement() * factor, abs=1e-4
        )
        assert len(document.blocks.get(one.dxf.geometry)) >= 3  # line, arrow, words


@pytest.mark.parametrize("case", GOLDEN)
def test_dimensions_are_those_of_the_change_alarm(case):
    """Names, kinds, words, sizes and measured points of every dimension, as drawn before."""
    name, length = case.split()
    sheet = draw(single(name, length))
    drawn = sorted(
        [one.name, str(one.kind), one.text.words, round(one.value_mm, 6),
         [[round(value, 3) + 0.0 for value in point] for point in one.points]]
        for one in sheet.own(Dimension)
    )
    assert drawn == GOLDEN[case]
    # The file says the same: words in order, and the size that its points measure.
    written = sorted((words, size) for _, size, words in measured(read(to_dxf(sheet))))
    wanted = sorted((words, size) for _, _, words, size, _ in GOLDEN[case])
    plainer = [(words.replace("−", "-"), size) for words, size in wanted]
    assert [words for words, _ in written] == sorted(words for words, _ in plainer)
    assert sorted(size for _, size in written) == pytest.approx(
        sorted(size for _, size in plainer), abs=1e-5
    )


def test_the_main_views_are_at_one_to_one():
    """Circles of the front view have the diameters of the part, in mm."""
    _, sheet = sheet_for("crosspin-eye-flat")
    document = read(to_dxf(sheet))
    assert document.header["$INSUNITS"] == 4
    radii = {round(one.dxf.radius, 6) for one in document.modelspace().query("CIRCLE")
             if one.dxf.layer == "VISIBLE"}
    assert {2.5 / 2, 4.2 / 2} <= radii
    styles = {one.dxf.dimstyle for one in document.modelspace().query("DIMENSION")}
    factors = {document.dimstyles.get(style).dxf.dimlfac for style in styles}
    assert factors == {1.0, sheet.per_mm / sheet.views["section"].per_mm}


@pytest.mark.parametrize("name", ROWS)
def test_the_file_passes_the_audit_and_holds_every_line(name):
    _, sheet = sheet_for(name)
    document = read(to_dxf(sheet))
    audit = document.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    space = document.modelspace()
    pieces = [stroke.piece for stroke in sheet.own(Stroke)]
    assert len(space.query("LINE")) == sum(isinstance(piece, Line) for piece in pieces)
    assert len(space.query("ARC")) + len(space.query("CIRCLE")) == sum(
        isinstance(piece, Arc) for piece in pieces
    )
    assert {entity.dxftype() for entity in space} == {
        "LINE", "ARC", "CIRCLE", "SOLID", "TEXT", "DIMENSION",
    }
    weights = {layer.dxf.name: layer.dxf.lineweight for layer in document.layers}
    assert (weights["VISIBLE"], weights["HIDDEN"], weights["CENTRE"]) == (50, 25, 25)
    lines = {layer.dxf.name: layer.dxf.linetype for layer in document.layers}
    assert (lines["HIDDEN"], lines["CENTRE"], lines["VISIBLE"]) == (
        "HIDDEN", "CENTER", "Continuous",
    )


def hostile_sheet():
    text = changed(prescription("eye-eye-flat"), ('"QF-1043"', f"'{HOSTILE}'"))
    profile = Profile(name="Lab %%d {\\H3x;big} אבג 漢字 ^I \\~ %%p")
    spec = sample_spec(text, profile)
    return draw(spec)


def test_codes_in_words_are_literal():
    document = read(to_dxf(hostile_sheet()))
    by_line: dict[float, list[tuple[float, str]]] = {}
    for one in document.modelspace().query("TEXT"):
        at = one.dxf.insert
        by_line.setdefault(round(at.y, 3), []).append((at.x, one.plain_text()))
    lines = ["".join(words for _, words in sorted(line)) for line in by_line.values()]
    assert any(HOSTILE in line for line in lines)
    assert any("Lab %%d {\\H3x;big} אבג 漢字 ^I \\~ %%p" in line for line in lines)


@pytest.mark.parametrize("words", ["%%c", "%%%", "%%%%d", "^J", "^", "\\P", "\\U+0041", "\\\\M+1",
                                   "a%%", "%", "{\\fArial|b1;x}"])
def test_no_piece_holds_a_code(words):
    pieces = literal_pieces(words)
    assert "".join(pieces) == words
    for piece in pieces:
        assert "%%" not in piece
        assert "\\" not in piece[:-1]


def test_a_long_table_leaves_word_of_the_sheets_in_the_pdf():
    spec = large(60)
    sheet = draw(spec)
    words = [one.plain_text() for one in read(to_dxf(sheet)).modelspace().query("TEXT")]
    assert "More parts: sheet 2 of the PDF" in words
    assert "1 of 2" in words
    assert b"More parts: sheet 2 of the PDF" in to_svg(sheet)


def test_control_characters_become_spaces():
    assert literal_pieces("a\nb\x00c") == ["a b c"]


def hashes(make_sheet: str, seed: str) -> str:
    """Digests of DXF and SVG as another process writes them."""
    code = (
        "import hashlib, pathlib, pickle\n"
        "from labkit.documents.rod_drawing import to_dxf\n"
        "from labkit.documents.svg import to_svg\n"
        f"{make_sheet}\n"
        "print(hashlib.sha256(to_dxf(sheet)).hexdigest(), "
        "hashlib.sha256(to_svg(sheet)).hexdigest())\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": seed},
    )
    return run.stdout.strip()


def test_same_bytes_in_every_process(tmp_path):
    _, sheet = sheet_for("crosspin-eye-flat")
    own = (hashlib.sha256(to_dxf(sheet)).hexdigest(), hashlib.sha256(to_svg(sheet)).hexdigest())
    kept = tmp_path / "sheet"
    kept.write_bytes(pickle.dumps(sheet))
    load = f"sheet = pickle.loads(pathlib.Path({str(kept)!r}).read_bytes())"
    build = (
        "from tests.support.drawings import sheet_for\n"
        "_, sheet = sheet_for('crosspin-eye-flat')"
    )
    found = {hashes(load, "1"), hashes(load, "2"), hashes(build, "77")}
    assert found == {" ".join(own)}


def test_writing_leaves_the_library_as_it_was():
    before = ezdxf.options.write_fixed_meta_data_for_testing
    _, sheet = sheet_for("eye-eye-flat")
    assert to_dxf(sheet) == to_dxf(sheet)
    assert ezdxf.options.write_fixed_meta_data_for_testing == before
    assert before is False


@pytest.mark.skipif(shutil.which("librecad") is None, reason="LibreCAD is not installed")
@pytest.mark.parametrize("name", ROWS)
def test_another_cad_program_opens_the_file(name, tmp_path):
    """LibreCAD (Debian package librecad) reads the file and prints it."""
    _, sheet = sheet_for(name)
    (tmp_path / "rod.dxf").write_bytes(to_dxf(sheet))
    environment = {
        **os.environ, "QT_QPA_PLATFORM": "offscreen", "HOME": str(tmp_path),
        "XDG_RUNTIME_DIR": str(tmp_path),
    }
    tmp_path.chmod(0o700)
    run = subprocess.run(
        ["librecad", "dxf2pdf", "-a", "rod.dxf"], cwd=tmp_path, env=environment,
        capture_output=True, text=True, timeout=60, check=False,
    )
    printed = (tmp_path / "rod.pdf").read_bytes()
    assert run.returncode == 0, run.stderr
    assert printed.startswith(b"%PDF")
    # A page with the lines and strokes of letters on it, not an empty one.
    assert len(printed) > 20_000
