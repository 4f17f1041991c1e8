# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading SVG: features against resvg's rasters, layers, lettering, and what is refused."""

import gzip
import time

import numpy as np
import pytest
from artwork_pages import CASES, agreement, page_svg, resvg, usvg, wrap  # noqa: F401 - a fixture
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.source import MOST_BYTES, MOST_NESTED, load_source
from beamwright.core.artwork.svg import read_svg
from beamwright.core.errors import FormatError, OutputError

BOX = '<rect x="10" y="10" width="30" height="20" fill="#ff8000"/>'


@pytest.mark.parametrize("name", CASES)
def test_features_look_as_resvg_draws_them(usvg, name):  # noqa: F811 - the fixture
    svg, least = CASES[name]
    page = read_svg(svg.encode(), usvg, name=name)
    truth = load_source(svg.encode(), name).content.decode()  # resvg does not know rebeccapurple
    assert agreement(resvg(page_svg(page)), resvg(truth)) >= least


def test_page_space_has_its_origin_in_the_middle_and_y_up(usvg):  # noqa: F811
    page = read_svg(wrap(BOX, 'width="200" height="100"').encode(), usvg)
    assert (page.width, page.height) == (200, 100)
    points = page.knots[:, 1]
    assert points.min(axis=0).tolist() == [-90, 20]
    assert points.max(axis=0).tolist() == [-60, 40]
    assert page.fill == pytest.approx(np.array([[1.0, 128 / 255, 0.0, 1.0]]))
    assert page.stroke[0, 3] == 0.0
    assert page.contour_closed.tolist() == [True]
    assert len(page.knots) == 4


def test_curves_stay_editable(usvg):  # noqa: F811
    page = read_svg(
        wrap(
            '<path d="M0 0C10 0 20 10 20 20L40 20Q50 20 50 30Z"/>', 'width="60" height="60"'
        ).encode(),
        usvg,
    )
    from_file = page.knots * [1, -1] + [30, 30]
    want = np.array(
        [
            [[50 / 3, 10], [0, 0], [10, 0]],  # left: a third of the closing line
            [[20, 10], [20, 20], [20 + 20 / 3, 20]],
            [[40 - 20 / 3, 20], [40, 20], [40 + 20 / 3, 20]],
            [[50, 20 + 10 / 3], [50, 30], [50 - 50 / 3, 20]],
        ]
    )
    assert from_file == pytest.approx(want, abs=1e-4)


def test_stacking_alpha_rule_and_width_come_through(usvg):  # noqa: F811
    page = read_svg(
        wrap(
            '<g opacity=".5" transform="scale(2)"><path d="M0 0H9V9Z" fill-opacity=".5" id="low" '
            'fill="#102030" fill-rule="evenodd"/><path id="high" d="M0 0H9" stroke="#fff" '
            'stroke-width="3" fill="none"/></g>'
        ).encode(),
        usvg,
    )
    assert page.names == ("low", "high")
    assert page.fill[:, 3].tolist() == [0.25, 0.0]
    assert page.stroke[:, 3].tolist() == [0.0, 0.5]
    assert page.even_odd.tolist() == [True, False]
    assert page.line_width[1] == pytest.approx(6.0)


def test_pieces_without_length_are_dots_where_their_caps_are_drawn(usvg):  # noqa: F811
    ink = 'fill="none" stroke="#f00" stroke-width="6" stroke-linecap="{}"'
    body = (
        '<path d="M10 10h0" {0}/><path d="M30 10L30 10z" {0}/><path d="M50 10z" {0}/>'
        '<line x1="60" y1="10" x2="60" y2="10" {0}/><path d="M70 10c0 0 0 0 0 0" {0}/>'
        '<path d="M20 30h0M30 30h10M50 30h0" {0}/>'
    )
    read = {
        cap: read_svg(wrap(body.format(ink.format(cap))).encode(), usvg)
        for cap in ("round", "square", "butt")
    }
    for cap in ("round", "square"):
        page = read[cap]
        single = np.diff(page.contour_offsets) == 1
        assert single.tolist() == [True] * 6 + [False, True]
        assert np.diff(page.shape_offsets).tolist() == [1, 1, 1, 1, 1, 3]
        points = page.knots[page.contour_offsets[:-1][single]]
        assert np.all(points == points[:, 1:2])
        on_page = points[:, 1] * [1, -1] + 100
        assert on_page.tolist() == [
            [10, 10], [30, 10], [50, 10], [60, 10], [70, 10], [20, 30], [50, 30]
        ]  # fmt: skip
        assert not page.contour_closed.any()
        lines = visible_lines(page, 0.01)
        assert len(lines.dot) == 7
        assert lines.length == pytest.approx(10.0)
    assert np.diff(read["butt"].shape_offsets).tolist() == [0, 0, 0, 0, 0, 1]
    assert visible_lines(read["butt"], 0.01).length == pytest.approx(10.0)
    filled = '<path d="M10 10h0" fill="#f00"/><path d="M10 10h0M20 0h5v5z" fill="#f00"/>'
    assert visible_lines(read_svg(wrap(filled).encode(), usvg), 0.01).dot.tolist() == []


def test_a_renderer_of_its_own_kind_sees_the_same_dots(usvg):  # noqa: F811
    """resvg inks a disc around each dot we read, and nowhere else (SVG 2, 9.3)."""
    body = "".join(
        f'<path d="M{x} {y}h0" stroke="#000" stroke-width="8" stroke-linecap="{cap}"/>'
        for (x, y), cap in zip(
            [(20, 20), (60, 30), (100, 150), (180, 180)], ["round", "butt", "square", "round"],
            strict=True,
        )
    )  # fmt: skip
    dots = visible_lines(read_svg(wrap(body).encode(), usvg), 0.01).dot * [1, -1] + 100
    ink = resvg(wrap(body), zoom=1.0).max(axis=2) < 128
    rows, columns = np.nonzero(ink)
    away = np.hypot(columns[:, None] + 0.5 - dots[:, 0], rows[:, None] + 0.5 - dots[:, 1])
    assert away.min(axis=1).max() < 4.0 * 2**0.5
    assert away.min(axis=0).max() < 1.0
    assert len(dots) == 3


def test_the_mean_alpha_of_a_gradient_counts(usvg):  # noqa: F811
    glow = (
        '<radialGradient id="glow"><stop offset="0" stop-color="#fff"/>'
        '<stop offset="1" stop-color="#fff" stop-opacity="0"/></radialGradient>'
        '<radialGradient id="again" xlink:href="#glow" r="70%"/>'
        '<circle cx="50" cy="50" r="40" fill="url(#again)" fill-opacity=".8"/>'
    )
    page = read_svg(wrap(glow).encode(), usvg)
    assert page.fill[0].tolist() == pytest.approx([1, 1, 1, 0.4])


def layers(usvg, body, head='width="100" height="100"'):  # noqa: F811
    page = read_svg(wrap(body, head).encode(), usvg)
    return [page.layer_names[i] for i in page.layer]


def test_groups_become_layers(usvg):  # noqa: F811
    assert layers(usvg, f'<g id="sea">{BOX}{BOX}</g><g id="sky">{BOX}</g>{BOX}') == [
        "sea", "sea", "sky", "",
    ]  # fmt: skip
    inner = f'<g id="page"><g id="sea"><g id="wave">{BOX}</g></g><g id="sky">{BOX}</g></g>'
    assert layers(usvg, inner) == ["sea", "sky"]
    assert layers(usvg, f'<g id="all">{BOX}{BOX}</g>') == ["all", "all"]
    assert layers(usvg, f'<g id="sea">{BOX}</g>', 'width="9" viewBox="0 0 50 50"') == ["sea"]
    assert layers(usvg, BOX) == [""]


def test_a_page_sized_clip_is_no_clip(usvg):  # noqa: F811
    inside = (
        '<clipPath id="c"><rect x="{0}" width="100" height="100"/></clipPath>'
        '<g clip-path="url(#c)">'
    )
    for x, clipped in ((0, False), (5, True)):
        page = read_svg(
            wrap(inside.format(x) + BOX + "</g>", 'width="100" height="100"').encode(), usvg
        )
        assert (page.clip[0] >= 0) == clipped


TEXT = (
    '<g id="captions"><text id="title" x="100" y="60" font-family="Times" font-size="20" '
    'text-anchor="middle" fill="#ff0000" transform="rotate(90 100 60)">Ebbe <tspan fill="#0000ff">'
    'und Flut</tspan><tspan x="20" dy="25">Zażółć</tspan></text></g>'
)


def test_text_becomes_pen_strokes_in_writing_order(usvg):  # noqa: F811
    page = read_svg(wrap(TEXT).encode(), usvg)
    assert page.warnings == ()
    assert not page.contour_closed.any()
    assert not page.fill[:, 3].any()
    assert page.layer_names == ("captions",)
    assert page.line_width.tolist() == [200 / 480] * 3
    assert page.stroke[0].tolist() == [1, 0, 0, 1]
    assert page.stroke[1].tolist() == [0, 0, 1, 1]
    # Turned by 90 degrees the first line runs down the page: later strokes lie lower.
    first = page.knots_of(0)[:, 1]
    assert first[0, 1] > first[-1, 1]
    assert np.ptp(page.knots[:, 1], axis=0)[1] > 100
    one = read_svg(wrap('<text x="9" y="90" font-size="100">l</text>').encode(), usvg)
    assert np.ptp(one.knots[:, 1], axis=0)[1] == pytest.approx(70.0, abs=1e-3)
    assert visible_lines(one, 0.1).length == pytest.approx(
        np.hypot(*np.diff(one.knots[:, 1], axis=0).T).sum(), rel=1e-6
    )


def test_text_is_kept_as_text_where_asked(usvg):  # noqa: F811
    page = read_svg(wrap(BOX + TEXT + BOX).encode(), usvg, text="lettering")
    assert len(page) == 2
    first, second = page.lettering
    assert (first.text, second.text) == ("Ebbe und Flut", "Zażółć")
    assert first.matrix == pytest.approx((0, -1, 1, 0, 0, 40), abs=1e-4)
    # The second line starts at x 20 and one line lower: turned, that is up and to the left.
    assert second.matrix == pytest.approx((0, -1, 1, 0, -25, 120), abs=1e-4)
    assert (first.size, first.anchor, first.layer) == (20.0, "middle", "captions")
    assert first.colour == (1.0, 0.0, 0.0, 1.0)
    assert first.stacking == 1
    blue = (0.0, 0.0, 1.0, 1.0)
    assert first.runs == ((5, first.colour), (8, blue))
    assert first.colours == (first.colour,) * 5 + (blue,) * 8
    assert second.runs == ()
    assert second.colours == (first.colour,) * 6


def test_colours_of_parts_of_a_line_follow_the_letters(usvg):  # noqa: F811
    text = (
        '<text x="9" y="50" font-size="20" fill="red" xml:space="preserve">  ab'
        '<tspan fill="none" stroke="lime">cd</tspan><tspan fill="blue" font-size="9">e</tspan> '
        "</text>"
    )
    page = read_svg(wrap(text).encode(), usvg, text="lettering", name="tide.svg")
    (line,) = page.lettering
    assert line.text == "abcde"
    assert [colour[:3] for colour in line.colours] == [(1, 0, 0)] * 2 + [(0, 1, 0)] * 2 + [
        (0, 0, 1)
    ]
    assert [count for count, _ in line.runs] == [2, 2, 1]
    assert page.warnings == (
        "tide.svg: “abcde” has sizes or shifts of its own within the line; as lettering it is "
        "set in one size. Pen strokes keep them.",
    )
    strokes = read_svg(wrap(text).encode(), usvg)
    assert strokes.stroke[:, :3].tolist() == [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
    assert strokes.warnings == ()


def test_a_drawing_beside_its_page_says_so(usvg):  # noqa: F811
    for x, beside in ((300, True), (-150, True), (150, False)):
        page = read_svg(wrap(f'<path d="M{x} 20h90" stroke="red"/>').encode(), usvg, name="far.svg")
        assert page.warnings == (
            (
                "far.svg: all of it lies outside its page of 200 × 200 pixels. Fit the page to the "
                "drawing, or switch Crop to Page off.",
            )
            if beside
            else ()
        )


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no SVG file, or one that was cut off or damaged: save it again"),
        (b"hello", "save it again as plain SVG"),
        (wrap('<path d="M0 0L9 9"').encode()[:120], "save it again as plain SVG"),
        (b"\x89PNG\r\n\x1a\n" + bytes(40), "not SVG text.*Save the drawing as plain SVG"),
        (wrap("", 'width="0" height="9"').encode(), "has no page: its width.*Set the size"),
    ],
)
def test_a_file_that_is_broken_names_itself_and_a_remedy(usvg, content, says):  # noqa: F811
    with pytest.raises(FormatError, match=rf"^torn\.svg .*{says}"):
        read_svg(content, usvg, name="torn.svg")


def test_dashes_are_said_to_be_lost(usvg):  # noqa: F811
    page = read_svg(
        wrap('<path d="M0 9H90" stroke="red" stroke-dasharray="3 2"/>').encode(), usvg, name="a.svg"
    )
    assert page.warnings == ("a.svg: dashed lines are drawn whole.",)


def test_text_left_out_and_characters_without_glyphs_are_named(usvg):  # noqa: F811
    text = '<text x="9" y="90">Wal 鯨</text>'
    page = read_svg(wrap(text).encode(), usvg, name="whale.svg")
    assert page.warnings == ("whale.svg: the lettering font has no character 鯨 (U+9BE8).",)
    page = read_svg(wrap(text).encode(), usvg, name="whale.svg", text="none")
    assert page.warnings == ("whale.svg: text is left out.",)
    assert len(page) == 0


def test_what_is_lost_is_said(usvg, tmp_path):  # noqa: F811
    body = (
        '<image href="boat.png" width="9" height="9"/><mask id="m"><rect/></mask><script>1</script>'
        '<rect width="5" height="5"><animate attributeName="x" to="9" dur="1s"/></rect>'
    )
    (tmp_path / "lost.svg").write_text(wrap(body))
    page = read_svg(tmp_path / "lost.svg", usvg)
    assert page.warnings == (
        "lost.svg: images are left out.",
        "lost.svg: masks are left out.",
        "lost.svg: scripts are left out.",
        "lost.svg: animation is left out.",
    )
    assert len(page) == 1


def test_a_page_without_size_is_as_large_as_its_drawing_and_says_so(usvg):  # noqa: F811
    page = read_svg(wrap(BOX, "").encode(), usvg, name="bare.svg")
    assert (page.width, page.height) == (40, 30)
    assert page.warnings == (
        "bare.svg has no viewBox and no size: the page is as large as the drawing.",
    )


@pytest.mark.parametrize(
    "encode",
    [
        lambda s: s.encode("utf-8-sig"),
        lambda s: s.encode("utf-16"),
        lambda s: ('<?xml version="1.0" encoding="ISO-8859-1"?>' + s).encode("latin-1"),
        lambda s: gzip.compress(s.encode()),
    ],
    ids=["byte order mark", "UTF-16", "declared Latin-1", "gzip"],
)
def test_encodings(usvg, encode):  # noqa: F811
    page = read_svg(encode(wrap(f'<g id="möwe">{BOX}</g>')), usvg)
    assert page.layer_names == ("möwe",)


USE = '<use href="#u{}"/>'


def bomb(levels):
    entities = "".join(
        f'<!ENTITY e{i} "{f"&e{i - 1};" * 10 if i else "lollollol!"}">' for i in range(levels)
    )
    return f"<!DOCTYPE svg [{entities}]>" + wrap(f"<text>&e{levels - 1};</text>")


BAD = {
    "malformed": (wrap("<g>"), "not well-formed XML: mismatched tag in line 1"),
    "cut short": (wrap(BOX)[:60], "not well-formed XML"),
    "empty": ("", "no element found"),
    "web page": ("<html><body/></html>", "outermost element is html"),
    "no namespace": ('<svg width="9" height="9"/>', "lacks xmlns"),
    "binary": (b"\x89PNG\r\n\x1a\n\x00\x00", "cannot be read as utf-8"),
    "unknown encoding": ('<?xml version="1.0" encoding="x-harbour"?><svg/>', "unknown encoding"),
    "entity bomb": (bomb(9), "unfold to more than"),
    "wide entity": (
        f'<!DOCTYPE svg [<!ENTITY a "{"a" * 9999}">]>' + wrap(f"<text>{'&a;' * 999}</text>"),
        "unfold to more than",
    ),
    "entity of itself": (
        '<!DOCTYPE svg [<!ENTITY a "&b;"><!ENTITY b "&a;">]>' + wrap("<text>&a;</text>"),
        "recursive entity",
    ),
    "external entity": (
        '<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/hostname">]>' + wrap("<text>&a;</text>"),
        "external entity a, which is never fetched",
    ),
    "parameter entity": (
        '<!DOCTYPE svg [<!ENTITY % a "b">%a;]>' + wrap(""),
        "parameter entity a",
    ),
    "NaN": (wrap('<path d="M0 0L5 NaN"/>'), 'coordinate in "d" of a path element is not a number'),
    "infinite": (wrap('<rect width="-Infinity" height="9"/>'), "is not a number"),
    "huge exponent": (wrap('<path d="M0 0L1e300 5"/>'), "beyond all bounds"),
    "huge number": (wrap('<circle r="1000000000"/>'), "beyond all bounds"),
    "huge by transform": (
        wrap('<g transform="scale(99999)"><path d="M0 0L99999 5"/></g>'),
        "the limit is 1e+07",
    ),
    "nested groups": (wrap("<g>" * 5000 + "</g>" * 5000), f"nests more than {MOST_NESTED}"),
    "no size": (wrap(BOX, 'width="0" height="50"'), "has no page: its width"),
    "endless use": (
        wrap(
            "<defs>"
            + "".join(f'<g id="u{i}">{USE.format(i - 1) * 10}</g>' for i in range(1, 9))
            + f'<g id="u0">{BOX}</g></defs><use href="#u8"/>'
        ),
        "is not a readable SVG file",
    ),
    "damaged gzip": (gzip.compress(wrap(BOX).encode())[:40], "damaged compressed file"),
    "gzip bomb": (gzip.compress(b" " * (MOST_BYTES + 9)), "unpacked"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_refused_by_name_in_bounded_time(usvg, tmp_path, name):  # noqa: F811
    content, reason = BAD[name]
    path = tmp_path / "harbour plan.svg"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    start = time.process_time()
    with pytest.raises(FormatError) as caught:
        read_svg(path, usvg)
    assert "harbour plan.svg" in str(caught.value)
    assert reason in str(caught.value)
    assert time.process_time() - start < 20.0  # no timing: it must not hang


def test_a_path_of_50_megabytes_is_refused_unread(usvg, tmp_path, monkeypatch):  # noqa: F811
    path = tmp_path / "huge.svg"
    with path.open("wb") as file:
        file.write(b'<svg xmlns="http://www.w3.org/2000/svg"><path d="M0 0')
        for _ in range(50):
            file.write(b"L1 1.25L2 2.5   " * 65536)
        file.write(b'"/></svg>')
    monkeypatch.setattr(type(path), "read_bytes", lambda _: pytest.fail("read"))
    with pytest.raises(FormatError, match=r"huge\.svg is 50 MB large"):
        read_svg(path, usvg)


def test_a_missing_file_is_an_output_error(usvg, tmp_path):  # noqa: F811
    with pytest.raises(OutputError, match=r"absent\.svg cannot be read"):
        read_svg(tmp_path / "absent.svg", usvg)


def test_deep_but_decent_nesting_is_read(usvg):  # noqa: F811
    depth = MOST_NESTED - 2
    page = read_svg(wrap('<g opacity=".99">' * depth + BOX + "</g>" * depth).encode(), usvg)
    assert page.fill[0, 3] == pytest.approx(0.99**depth, rel=1e-3)


def test_numbers_that_only_look_suspicious_are_read(usvg):  # noqa: F811
    body = (
        '<g id="nancy-inf"><path d="M1e-20 5L.123456789012 5.5e1" stroke="#1e0012"/></g>'
        "<!-- NaN 1e99 -->"
    )
    assert len(read_svg(wrap(body).encode(), usvg)) == 1


def test_nothing_outside_the_file_is_read(usvg, tmp_path):  # noqa: F811
    secret = tmp_path / "secret.svg"
    secret.write_text(wrap('<g id="secret"><rect width="99" height="99"/></g>'))
    body = (
        f'<use href="{secret}#secret"/><use href="secret.svg#secret"/>'
        f'<image href="{secret}" width="9" height="9"/>'
        '<image href="secret.svg" width="9" height="9"/>'
        f'<image href="file://{secret}" width="9" height="9"/>'
        '<image href="/fonts/../secret.svg" width="9" height="9"/><text>x</text>'
    )
    path = tmp_path / "page.svg"
    path.write_text(wrap(f'<style>@import url("{secret}");</style>{body}'))
    page = read_svg(path, usvg)
    assert len(page) == 1  # the letter
    assert not page.fill[:, 3].any()
