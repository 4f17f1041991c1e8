// SPDX-License-Identifier: GPL-3.0-or-later
//
// Exact hidden-line removal. In the image every occluder hides one interval of a feature's
// parameter t: the meeting of four half-lines (three sides and one depth plane), because
// -1/w (perspective) and z (orthographic) are linear along a line and over a triangle in the
// image. What no occluder hides is visible.

#include <math.h>
#include <string.h>

#include "view.h"

#define INTERIOR_TOLERANCE 1e-12  // times the side's |ex| + |ey|
#define BATCH 16

typedef struct {
    double t0, t1;
} interval;

typedef struct {
    double t0, t1, x0, y0, x1, y1;
    int32_t edge;
    uint16_t kind;
} piece;

typedef struct {
    interval *list;
    size_t count, capacity;
    bw_workspace *workspace;
} interval_list;

typedef struct {
    int64_t scanned, tested;
} scan_counters;

// Find the sides shared with a neighbour that continues the surface in the image: a line
// exactly behind such a side is hidden, though it is outside of both triangles' open insides.
static int find_interior_sides(const bw_view *view, bw_record *record) {
    const bw_visibility_input *in = view->in;
    int back = view->facing[record->triangle] < 0;
    record->interior = 0;
    record->interior_known = 1;
    for (int k = 0; k < 3; k++) {
        // A back face was taken the other way round: corners 0, 2, 1, so sides 2, 1, 0.
        int side = back ? 2 - k : k;
        int32_t edge = in->triangle_edges[3 * (ptrdiff_t)record->triangle + side];
        if (edge < 0) {
            continue;
        }
        if (edge >= in->edge_count) {
            return BW_BAD_SIZE;
        }
        int32_t f0 = in->edge_faces[2 * (ptrdiff_t)edge];
        int32_t f1 = in->edge_faces[2 * (ptrdiff_t)edge + 1];
        if (f0 < 0 || f1 < 0) {
            continue;
        }
        if (f0 >= in->triangle_count || f1 >= in->triangle_count) {
            return BW_BAD_SIZE;
        }
        int a = view->facing[f0], b = view->facing[f1];
        int opposite = (a != b) == (in->edge_flip[edge] != 0);
        if (a != 0 && b != 0 && opposite) {
            record->interior = (uint8_t)(record->interior | (1u << k));
        }
    }
    return 0;
}

// Narrow [*h0, *h1] to where a linear function with values a, b at the ends is positive. Both
// zero, along an interior side, bounds nothing: 0 / 0 compares false. No branches, because
// nobody can predict them.
static inline void narrow(double a, double b, double *h0, double *h1) {
    double t = a / (a - b);
    double enter = a <= 0.0 ? t : -1.0;
    double leave = a > 0.0 ? t : -1.0;
    leave = b <= 0.0 ? leave : 2.0;
    leave = a > 0.0 ? leave : 2.0;
    *h0 = bw_max(enter, *h0);
    *h1 = bw_min(leave, *h1);
}

// Ends that lie on a side: sides are open, interior ones closed. 1 when the line passes
// through the triangle, 0 when it does not, or a negative status.
static int weigh_sides(const bw_view *view, bw_record *r, const double slack[3], double a[3],
                       double b[3]) {
    for (int k = 0; k < 3; k++) {
        int a_on = a[k] <= 0.0 && a[k] > slack[k];
        int b_on = b[k] <= 0.0 && b[k] > slack[k];
        if ((a_on && b_on) || (a_on && a[k] < 0.0) || (b_on && b[k] < 0.0)) {
            if (!r->interior_known) {
                int status = find_interior_sides(view, r);
                if (status < 0) {
                    return status;
                }
            }
            if ((r->interior >> k) & 1) {
                a[k] = a_on ? 0.0 : a[k];
                b[k] = b_on ? 0.0 : b[k];
                if (a_on && b_on) {
                    continue;
                }
            }
        }
        if (a[k] <= 0.0 && b[k] <= 0.0) {
            return 0;
        }
    }
    return 1;
}

// 1 when the occluder hides part of [*h0, *h1], narrowed to that part; 0 when it does not,
// or a negative status.
static inline int hides(const bw_view *view, const bw_feature *f, bw_record *r, double bias,
                        double *h0, double *h1) {
    double a[3], b[3], slack[3];
    for (int k = 0; k < 3; k++) {
        int n = k == 2 ? 0 : k + 1;
        double ex = r->x[n] - r->x[k], ey = r->y[n] - r->y[k];
        a[k] = ex * (f->ay - r->y[k]) - ey * (f->ax - r->x[k]);
        b[k] = ex * (f->by - r->y[k]) - ey * (f->bx - r->x[k]);
        slack[k] = -INTERIOR_TOLERANCE * (fabs(ex) + fabs(ey));
    }
    // Clearly outside of one side: most triangles leave here, by one branch.
    double inner = bw_min(bw_min(bw_max(a[0], b[0]), bw_max(a[1], b[1])), bw_max(a[2], b[2]));
    if (inner < slack[0] + slack[1] + slack[2]) {
        return 0;
    }
    int on_side = 0;
    for (int k = 0; k < 3; k++) {
        on_side |= (a[k] <= 0.0) & (a[k] > slack[k]);
        on_side |= (b[k] <= 0.0) & (b[k] > slack[k]);
    }
    if (on_side) {
        int status = weigh_sides(view, r, slack, a, b);
        if (status <= 0) {
            return status;
        }
    } else if (inner <= 0.0) {
        return 0;
    }
    const int32_t *corner = r->vertex;
    int has_a = (f->a >= 0) & ((f->a == corner[0]) | (f->a == corner[1]) | (f->a == corner[2]));
    int has_b = (f->b >= 0) & ((f->b == corner[0]) | (f->b == corner[1]) | (f->b == corner[2]));
    for (int k = 0; k < 3; k++) {
        narrow(a[k], b[k], h0, h1);
    }
    if ((has_a & has_b) | !(*h1 > *h0)) {
        return 0;
    }
    // At a common vertex the plane passes through the line's end.
    const double *d = r->depth;
    double plane_a = (a[1] * d[0] + a[2] * d[1] + a[0] * d[2]) / r->area;
    double plane_b = (b[1] * d[0] + b[2] * d[1] + b[0] * d[2]) / r->area;
    double behind_a = has_a ? 0.0 : f->a_depth - plane_a - bias;
    double behind_b = has_b ? 0.0 : f->b_depth - plane_b - bias;
    if (!(behind_a > 0.0) & !(behind_b > 0.0)) {
        return 0;
    }
    narrow(behind_a, behind_b, h0, h1);
    return *h1 > *h0;
}

// Take [h0, h1] away. Returns a negative status or 0.
static int subtract(interval_list *visible, double h0, double h1) {
    size_t n = visible->count;
    interval *v = visible->list;
    size_t first = 0, high = n;
    while (first < high) {  // first interval that ends behind h0
        size_t middle = (first + high) / 2;
        if (v[middle].t1 <= h0) {
            first = middle + 1;
        } else {
            high = middle;
        }
    }
    size_t last = first;  // first interval that starts at or behind h1
    while (last < n && v[last].t0 < h1) {
        last++;
    }
    if (first == last) {
        return 0;
    }
    interval left = {v[first].t0, h0};
    interval right = {h1, v[last - 1].t1};
    int keep_left = left.t1 - left.t0 > BW_SHORTEST;
    int keep_right = right.t1 - right.t0 > BW_SHORTEST;
    size_t kept = (size_t)(keep_left + keep_right);
    size_t grown = n - (last - first) + kept;
    if (grown > visible->capacity) {
        v = bw_grow(visible->workspace, BW_INTERVALS, 2 * grown, sizeof *v);
        if (v == NULL) {
            return BW_OUT_OF_MEMORY;
        }
        visible->list = v;
        visible->capacity = visible->workspace->bytes[BW_INTERVALS] / sizeof *v;
    }
    if (last < n && first + kept != last) {
        memmove(v + first + kept, v + last, (n - last) * sizeof *v);
    }
    if (keep_left) {
        v[first++] = left;
    }
    if (keep_right) {
        v[first] = right;
    }
    visible->count = grown;
    return 0;
}

static int still_visible(const interval_list *visible, double t0, double t1) {
    for (size_t i = 0; i < visible->count; i++) {
        if (visible->list[i].t0 >= t1) {
            return 0;
        }
        if (visible->list[i].t1 > t0) {
            return 1;
        }
    }
    return 0;
}

static int scan_cell(const bw_view *view, const bw_cells *cells, int32_t cell,
                     const bw_span *span, const bw_feature *f, int32_t stamp, int32_t *stamps,
                     interval_list *visible, scan_counters *counters) {
    const int32_t *faces = view->in->edge_faces + 2 * (ptrdiff_t)f->edge;
    const double reach = bw_feature_reach(view, f->a_depth, f->b_depth);
    const double bias = view->in->bias * reach, ranked = bw_ranked_bias(view) * reach;
    const bw_entry *entry = cells->entries + cells->start[cell];
    const bw_entry *end = cells->entries + cells->start[cell + 1];
    const bw_entry *begin = entry;
    const bw_four limit = {span->box[2], span->box[3], -span->box[0], -span->box[1]};
    const float farthest = span->farthest;
    while (entry < end && entry->nearest < farthest) {
        // Collect first, test then: the records arrive while others are looked at. Neither
        // collecting step branches, because nobody can predict which boxes meet.
        int32_t near_by[BATCH], found[BATCH];
        const bw_entry *stop = end - entry < BATCH ? end : entry + BATCH;
        int near_count = 0, count = 0;
        for (; entry < stop && entry->nearest < farthest; entry++) {
            near_by[near_count] = entry->occluder;
            near_count += bw_none_above(entry->box, limit);
        }
        for (int i = 0; i < near_count; i++) {
            int32_t index = near_by[i];
            __builtin_prefetch(view->records + index);
            __builtin_prefetch((const char *)(view->records + index) + 64);
            found[count] = index;
            count += stamps[index] != stamp;
            stamps[index] = stamp;
        }
        for (int i = 0; i < count; i++) {
            bw_record *record = view->records + found[i];
            if (record->triangle == faces[0] || record->triangle == faces[1]) {
                continue;
            }
            counters->tested++;
            double h0 = visible->list[0].t0;
            double h1 = visible->list[visible->count - 1].t1;
            double slack = record->rank == f->rank  ? bias
                           : record->rank > f->rank ? -ranked
                                                    : ranked;
            int status = hides(view, f, record, slack, &h0, &h1);
            if (status > 0) {
                status = subtract(visible, h0 - BW_SEAM, h1 + BW_SEAM);
            }
            if (status < 0) {
                return status;
            }
            if (visible->count == 0) {
                counters->scanned += entry - begin;
                return 0;
            }
        }
    }
    counters->scanned += entry - begin;
    return 0;
}

// Big triangles first: they hide most.
static int scan_coarse(const bw_view *view, int64_t begin, int64_t end, const bw_feature *f,
                       int32_t stamp, int32_t *stamps, interval_list *visible,
                       scan_counters *counters) {
    int64_t i = begin;
    while (i < end && visible->count > 0) {
        bw_span joined = view->spans[i];
        int32_t column = (joined.cell % view->width) >> BW_COARSE_SHIFT;
        int32_t row = (joined.cell / view->width) >> BW_COARSE_SHIFT;
        for (i++; i < end; i++) {
            const bw_span *next = view->spans + i;
            if ((next->cell % view->width) >> BW_COARSE_SHIFT != column ||
                (next->cell / view->width) >> BW_COARSE_SHIFT != row) {
                break;
            }
            joined.t0 = bw_min(joined.t0, next->t0);
            joined.t1 = bw_max(joined.t1, next->t1);
            for (int k = 0; k < 2; k++) {
                joined.box[k] = next->box[k] < joined.box[k] ? next->box[k] : joined.box[k];
                joined.box[k + 2] =
                    next->box[k + 2] > joined.box[k + 2] ? next->box[k + 2] : joined.box[k + 2];
            }
            joined.farthest = next->farthest > joined.farthest ? next->farthest : joined.farthest;
        }
        if (!still_visible(visible, joined.t0, joined.t1)) {
            continue;
        }
        int status = scan_cell(view, &view->coarse, row * view->coarse.width + column, &joined, f,
                               stamp, stamps, visible, counters);
        if (status < 0) {
            return status;
        }
    }
    return 0;
}

// Exact at both ends.
static double along(double a, double b, double t) {
    double step = b - a;
    return t > 0.5 ? b - step * (1.0 - t) : a + step * t;
}

static int64_t emit_pieces(bw_view *view, scan_counters *counters) {
    bw_workspace *ws = view->workspace;
    size_t capacity = (size_t)view->feature_count + 64;
    piece *pieces = bw_reserve(ws, BW_PIECES, capacity, sizeof *pieces);
    interval_list visible = {
        .list = bw_reserve(ws, BW_INTERVALS, 64, sizeof(interval)),
        .workspace = ws,
    };
    size_t kept = (size_t)view->kept_count;
    int32_t *stamps = bw_reserve(ws, BW_STAMPS, kept, sizeof *stamps);
    if (pieces == NULL || visible.list == NULL || stamps == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    capacity = ws->bytes[BW_PIECES] / sizeof *pieces;
    visible.capacity = ws->bytes[BW_INTERVALS] / sizeof(interval);
    memset(stamps, 0xff, kept * sizeof *stamps);
    int has_coarse =
        view->coarse.start[(size_t)view->coarse.width * (size_t)view->coarse.height] > 0;

    size_t count = 0;
    for (int64_t i = 0; i < view->feature_count; i++) {
        const bw_feature *f = view->features + i;
        int64_t begin = view->span_start[i], end = view->span_start[i + 1];
        visible.list[0] = (interval){f->t0, f->t1};
        visible.count = 1;
        if (has_coarse) {
            int status = scan_coarse(view, begin, end, f, (int32_t)i, stamps, &visible, counters);
            if (status < 0) {
                return status;
            }
        }
        for (int64_t s = begin; s < end && visible.count > 0; s++) {
            const bw_span *span = view->spans + s;
            if (!still_visible(&visible, span->t0, span->t1)) {
                continue;
            }
            int status = scan_cell(view, &view->fine, span->cell, span, f, (int32_t)i, stamps,
                                   &visible, counters);
            if (status < 0) {
                return status;
            }
        }
        if (count + visible.count > capacity) {
            pieces = bw_grow(ws, BW_PIECES, 2 * (count + visible.count), sizeof *pieces);
            if (pieces == NULL) {
                return BW_OUT_OF_MEMORY;
            }
            capacity = ws->bytes[BW_PIECES] / sizeof *pieces;
        }
        for (size_t k = 0; k < visible.count; k++) {
            double t0 = visible.list[k].t0, t1 = visible.list[k].t1;
            pieces[count++] = (piece){
                .t0 = t0,
                .t1 = t1,
                .x0 = along(f->ax, f->bx, t0),
                .y0 = along(f->ay, f->by, t0),
                .x1 = along(f->ax, f->bx, t1),
                .y1 = along(f->ay, f->by, t1),
                .edge = f->edge,
                .kind = f->kind,
            };
        }
    }
    return (int64_t)count;
}

int64_t bw_visible_pieces(bw_workspace *workspace, const bw_visibility_input *input,
                          int64_t counters[8]) {
    const int64_t most = INT32_MAX / 8;
    workspace->piece_count = 0;
    memset(counters, 0, 8 * sizeof *counters);
    if (input->vertex_count < 0 || input->triangle_count < 0 || input->edge_count < 0 ||
        input->vertex_count > most || input->triangle_count > most || input->edge_count > most) {
        return BW_BAD_SIZE;
    }
    bw_view view;
    memset(&view, 0, sizeof view);
    view.in = input;
    view.workspace = workspace;
    int status = bw_project(&view);
    if (status < 0) {
        return status;
    }
    status = bw_find_features(&view);
    if (status < 0) {
        return status;
    }
    counters[0] = view.feature_count;
    if (view.feature_count == 0) {
        return 0;
    }
    bw_cell_tables tables;
    status = bw_lay_grid(&view, &tables);
    if (status < 0) {
        return status;
    }
    status = bw_list_occluders(&view, &tables);
    if (status < 0) {
        return status;
    }
    scan_counters scan = {0, 0};
    int64_t count = emit_pieces(&view, &scan);
    if (count >= 0) {
        workspace->piece_count = count;
    }
    counters[1] = view.span_start[view.feature_count];
    counters[2] = view.kept_count;
    counters[3] = view.entry_count;
    counters[4] = scan.scanned;
    counters[5] = scan.tested;
    counters[6] = view.width;
    counters[7] = view.height;
    return count;
}

int64_t bw_take_pieces(const bw_workspace *workspace, int64_t count, int32_t *edge,
                       uint16_t *kind, double *t, double *xy) {
    if (count != workspace->piece_count) {
        return BW_BAD_SIZE;
    }
    const piece *pieces = workspace->memory[BW_PIECES];
    for (int64_t i = 0; i < count; i++) {
        const piece *p = pieces + i;
        edge[i] = p->edge;
        kind[i] = p->kind;
        t[2 * i] = p->t0;
        t[2 * i + 1] = p->t1;
        xy[4 * i] = p->x0;
        xy[4 * i + 1] = p->y0;
        xy[4 * i + 2] = p->x1;
        xy[4 * i + 3] = p->y1;
    }
    return count;
}
