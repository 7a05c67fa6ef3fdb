"""The PDF: accessible, whole, the same bytes again, user text never read as markup, and no library of the system."""

import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from truechange.foundation.drawing import TEMPLATES
from truechange.foundation.errors import MissingPartError, OutcomeError
from truechange.reporting.page import STANDARD, Columns, Picture, Section, Words, write_pdf
from truechange.reporting.tables import ReadyTable

pypdf = pytest.importorskip("pypdf")
typst = pytest.importorskip("typst")
MARKUP = "#panic() $x$ *a* _b_ [c] @d <e> \\f `g` ~h //i /*j*/ = k + l - m 'n' \"o\" #{p} ---"


def drawn(alt="A line that rises.", caption=""):
    figure = Figure((2, 1))
    figure.subplots().plot([1, 2])
    return Picture(figure, alt, caption)


def close(text):
    """The text without spaces and soft breaks, to compare across line ends."""
    return re.sub(r"\s", "", text)


def text_of(path):
    return "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def tags_in(node, found):
    """Structure types of a tagged PDF, with the alternative text of its figures."""
    node = node.get_object() if hasattr(node, "get_object") else node
    for one in node if isinstance(node, list) else [node]:
        one = one.get_object() if hasattr(one, "get_object") else one
        if isinstance(one, dict):
            found.append((one.get("/S"), one.get("/Alt")))
            if "/K" in one:
                tags_in(one["/K"], found)
    return found


def test_it_is_tagged_with_headings_table_heads_and_words_for_every_picture(tmp_path):
    table = ReadyTable("Changes", ("who", "stands"), (("North", "2.8 (2.2 to 3.7)"),), ("A note.",))
    blocks = [Words(["said"]), Words(["one"], "answer"), Words(["two"], "caution"), Words(["three"], "list"), table]
    sections = [Section("First", [*blocks, drawn(), Columns([[drawn("Left.")], [drawn("Right.", "a caption")]])])]
    sections.append(Section("Second", [Words(["1. Ref."], "references")]))
    path = write_pdf("Title", "the lead", sections, tmp_path / "a.pdf")
    root = pypdf.PdfReader(path).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert b"<pdfuaid:part>1</pdfuaid:part>" in root["/Metadata"].get_data()  # ISO 14289-1, identification of PDF/UA-1
    found = tags_in(root["/StructTreeRoot"]["/K"], [])
    kinds = [kind for kind, _ in found]
    assert kinds.count("/H1") == 1
    assert kinds.count("/H2") == 2
    assert kinds.count("/TH") == 2
    assert {"/Table", "/THead", "/TBody", "/L", "/LI", "/Caption", "/P"} <= set(kinds)
    assert {alt for kind, alt in found if kind == "/Figure"} == {"A line that rises.", "Left.", "Right."}
    text = close(text_of(path))
    for words in ("Title", "the lead", "First", "said", "one", "two", "three", "Changes", "2.8 (2.2 to 3.7)", "A note.",
                  "a caption", "1. Ref."):  # fmt: skip
        assert close(words) in text, words


def test_a_picture_without_words_is_refused_by_the_block_and_by_the_standard(tmp_path):
    with pytest.raises(OutcomeError, match="alt text"):
        drawn(alt=" ")
    (tmp_path / "a.png").write_bytes(drawn().image)
    bare = '#set document(title: "t", date: none)\n#set text(lang: "en")\n#image("a.png")'
    (tmp_path / "a.typ").write_text(bare)
    with pytest.raises(typst.TypstError, match="missing alt text"):
        typst.compile(tmp_path / "a.typ", format="pdf", pdf_standards=[STANDARD])


def test_text_is_never_read_as_markup(tmp_path):
    table = ReadyTable(MARKUP, (MARKUP, "b"), ((MARKUP, MARKUP),), (MARKUP,))
    kinds = ("paragraphs", "references", "list", "answer", "caution")
    blocks = [*(Words([MARKUP], kind) for kind in kinds), table, drawn(MARKUP, MARKUP)]
    path = write_pdf(MARKUP, MARKUP, [Section(MARKUP, blocks)], tmp_path / "a.pdf")
    # title, lead, heading, one for each kind, and caption, head, two cells, note of the table, caption of the picture
    assert close(text_of(path)).count(close(MARKUP)) == 3 + len(kinds) + 6
    assert pypdf.PdfReader(path).metadata.title == MARKUP


def test_a_sign_that_no_embedded_font_has_is_spelled_out_not_lost(tmp_path):
    path = write_pdf("T", "", [Section("S", [Words(["膝 knee, bell\x07, ≥ 2 → 4, Ünal, Łuk, γ"])])], tmp_path / "a.pdf")
    text = close(text_of(path))
    assert "[U+819D]knee" in text
    assert "bell[U+0007]" in text
    assert "≥2→4,Ünal,Łuk,γ" in text


def test_another_fault_of_the_template_is_not_hidden(tmp_path):
    with pytest.raises(typst.TypstError):
        write_pdf("T", "", [Section("S", [Words(["x"], "no such kind")])], tmp_path / "a.pdf")
    assert not (tmp_path / "a.pdf").exists()


def test_the_audit_says_in_the_pdf_what_its_page_says(written):
    page, pdf = written[0][0][:2]
    clinic_page, reader = page.read_text(encoding="utf-8"), pypdf.PdfReader(pdf)
    assert "/CreationDate" not in reader.metadata
    # the words of the page, block by block; the foot of each printed page is not among them
    printed = close("".join(re.sub(r"\d+ / \d+\s*$", "", page.extract_text()) for page in reader.pages))
    body = clinic_page[clinic_page.index("<body>") :]
    blocks = re.findall(r"<(p|li|td|th|h1|h2|caption|figcaption)[^>]*>(.*?)</\1>", body, re.DOTALL)
    assert len(blocks) > 200
    for _, words in blocks:
        assert close(unescape(re.sub(r"<[^>]+>", "", words))).replace("-", "") in printed.replace("-", ""), words
    alts = [alt for kind, alt in tags_in(reader.trailer["/Root"]["/StructTreeRoot"]["/K"], []) if kind == "/Figure"]
    assert alts == [unescape(alt) for alt in re.findall(r'<img [^>]*alt="([^"]*)"', clinic_page)]


def test_a_missing_pdf_writer_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(MissingPartError, match=r"truechange\[pdf\]"):
        write_pdf("T", "", [], tmp_path / "a.pdf")


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="which libraries are loaded is read from /proc")
def test_no_library_of_the_system_draws_it(tmp_path):
    code = (
        "import sys\nfrom pathlib import Path\n"
        "from truechange.reporting.page import Section, Words\n"
        "from truechange.reporting.page import write_pdf\n"
        "write_pdf('T', '', [Section('S', [Words(['words'])])], Path(sys.argv[1]))\n"
        "print(Path('/proc/self/maps').read_text())"
    )
    ran = subprocess.run([sys.executable, "-c", code, tmp_path / "a.pdf"], capture_output=True, text=True, check=True)
    loaded = {Path(line.split()[-1]).name for line in ran.stdout.splitlines() if ".so" in line}
    assert any("typst" in name for name in loaded)
    assert not {name for name in loaded if re.search("pango|harfbuzz|cairo|gobject|fontconfig", name)}


def test_the_template_asks_for_no_font_outside_the_wheel():
    named = re.search(r"font: \(([^)]*)\)", (TEMPLATES / "document.typ").read_text(encoding="utf-8"))
    assert named
    inside = {"Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"}  # shipped in the typst wheel
    assert set(re.findall(r'"([^"]+)"', named[1])) <= inside
