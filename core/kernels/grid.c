// SPDX-License-Identifier: GPL-3.0-or-later
//
// The screen grid: features cut at its cell borders, and how far away the farthest feature of
// each cell is.

#include <math.h>
#include <string.h>

#include "view.h"

#define GRID_PER_ROOT 0.5       // cells a side for each square root of the triangle count
#define GRID_LEAST 8
#define GRID_MOST 1024
#define SPANS_PER_FEATURE 32.0
#define CELL_WIDENING 1e-9      // in cells

static int32_t clamp_cell(double g, int32_t cells) {
    if (!(g > 0.0)) {
        return 0;
    }
    if (g >= (double)cells) {
        return cells - 1;
    }
    return (int32_t)g;
}

static double unit(double value) {
    return value < 0.0 ? 0.0 : (value > 1.0 ? 1.0 : value);
}

// Part [s0, s1] of a line g0 + s * step (s in 0...1) inside cell `index`, widened.
static void part_in_cell(double g0, double step, int32_t index, double *s0, double *s1) {
    double low = ((double)index - CELL_WIDENING - g0) / step;
    double high = ((double)index + 1.0 + CELL_WIDENING - g0) / step;
    *s0 = unit(step > 0.0 ? low : high);
    *s1 = unit(step > 0.0 ? high : low);
}

static void choose_grid(bw_view *view) {
    const bw_feature *features = view->features;
    double x0 = INFINITY, y0 = INFINITY, x1 = -INFINITY, y1 = -INFINITY;
    double reach = 0.0;
    for (int64_t i = 0; i < view->feature_count; i++) {
        const bw_feature *f = features + i;
        double dx = f->bx - f->ax, dy = f->by - f->ay;
        double xa = f->ax + f->t0 * dx, xb = f->ax + f->t1 * dx;
        double ya = f->ay + f->t0 * dy, yb = f->ay + f->t1 * dy;
        x0 = bw_min(x0, bw_min(xa, xb));
        x1 = bw_max(x1, bw_max(xa, xb));
        y0 = bw_min(y0, bw_min(ya, yb));
        y1 = bw_max(y1, bw_max(ya, yb));
        reach += fabs(xb - xa) + fabs(yb - ya);
    }
    double width = x1 - x0, height = y1 - y0;
    double span = bw_max(width, height);
    double cells = GRID_PER_ROOT * sqrt((double)view->in->triangle_count);
    cells = bw_max(GRID_LEAST, bw_min(GRID_MOST, floor(cells)));
    view->origin_x = x0;
    view->origin_y = y0;
    if (!(span > 1e-12)) {
        view->inverse_cell = 0.0;
        view->width = view->height = 1;
        return;
    }
    double most = SPANS_PER_FEATURE * (double)view->feature_count + 65536.0;
    while (cells > GRID_LEAST && reach / span * cells > most) {
        cells = bw_max(GRID_LEAST, floor(cells / 2.0));
    }
    // A hair fewer cells, so that the far border falls into the last one.
    view->inverse_cell = cells * (1.0 - 1e-9) / span;
    // bw_max and bw_min give their second argument for NaN.
    double columns = floor(width * view->inverse_cell) + 1.0;
    double rows = floor(height * view->inverse_cell) + 1.0;
    view->width = (int32_t)bw_max(bw_min(columns, cells), 1.0);
    view->height = (int32_t)bw_max(bw_min(rows, cells), 1.0);
}

// Cut every feature at the cell borders.
static int cut_spans(bw_view *view) {
    size_t nf = (size_t)view->feature_count;
    bw_workspace *ws = view->workspace;
    int64_t *start = bw_reserve(ws, BW_SPAN_START, nf + 1, sizeof *start);
    bw_span *spans = bw_reserve(ws, BW_SPANS, 4 * nf + 64, sizeof *spans);
    if (start == NULL || spans == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    size_t capacity = ws->bytes[BW_SPANS] / sizeof *spans;
    size_t count = 0;
    double inverse = view->inverse_cell;
    for (size_t i = 0; i < nf; i++) {
        const bw_feature *f = view->features + i;
        double dx = f->bx - f->ax, dy = f->by - f->ay, dd = f->b_depth - f->a_depth;
        double dt = f->t1 - f->t0;
        double gx = (f->ax + f->t0 * dx - view->origin_x) * inverse;
        double gy = (f->ay + f->t0 * dy - view->origin_y) * inverse;
        double step_x = (f->ax + f->t1 * dx - view->origin_x) * inverse - gx;
        double step_y = (f->ay + f->t1 * dy - view->origin_y) * inverse - gy;
        double bias =
            bw_ranked_bias(view) * bw_feature_reach(view, f->a_depth, f->b_depth);
        int32_t row0 = clamp_cell(bw_min(gy, gy + step_y) - CELL_WIDENING, view->height);
        int32_t row1 = clamp_cell(bw_max(gy, gy + step_y) + CELL_WIDENING, view->height);
        start[i] = (int64_t)count;
        for (int32_t row = row0; row <= row1; row++) {
            double r0 = 0.0, r1 = 1.0;
            if (row0 != row1) {
                part_in_cell(gy, step_y, row, &r0, &r1);
            }
            double xa = gx + r0 * step_x, xb = gx + r1 * step_x;
            int32_t column0 = clamp_cell(bw_min(xa, xb) - CELL_WIDENING, view->width);
            int32_t column1 = clamp_cell(bw_max(xa, xb) + CELL_WIDENING, view->width);
            size_t needed = count + (size_t)view->width;
            if (needed > capacity) {
                spans = bw_grow(ws, BW_SPANS, 2 * needed, sizeof *spans);
                if (spans == NULL) {
                    return BW_OUT_OF_MEMORY;
                }
                capacity = ws->bytes[BW_SPANS] / sizeof *spans;
            }
            int32_t forward = step_x >= 0.0;
            for (int32_t k = column0; k <= column1; k++) {
                int32_t column = forward ? k : column0 + column1 - k;
                double s0 = r0, s1 = r1;
                if (column0 != column1) {
                    part_in_cell(gx, step_x, column, &s0, &s1);
                    s0 = bw_max(s0, r0);
                    s1 = bw_min(s1, r1);
                    if (s1 < s0) {
                        // Only rounding makes the widened cells disagree.
                        double s = s0;
                        s0 = s1;
                        s1 = s;
                    }
                }
                bw_span *span = spans + count++;
                span->t0 = f->t0 + s0 * dt;
                span->t1 = f->t0 + s1 * dt;
                double px = f->ax + span->t0 * dx, qx = f->ax + span->t1 * dx;
                double py = f->ay + span->t0 * dy, qy = f->ay + span->t1 * dy;
                double pd = f->a_depth + span->t0 * dd, qd = f->a_depth + span->t1 * dd;
                span->box[0] = bw_round_down(bw_min(px, qx));
                span->box[1] = bw_round_down(bw_min(py, qy));
                span->box[2] = bw_round_up(bw_max(px, qx));
                span->box[3] = bw_round_up(bw_max(py, qy));
                span->farthest = bw_round_up(bw_max(pd, qd) + bias);
                span->cell = row * view->width + column;
            }
        }
    }
    start[nf] = (int64_t)count;
    view->spans = spans;
    view->span_start = start;
    return 0;
}

static int fill_tables(bw_view *view, bw_cell_tables *tables) {
    size_t width = (size_t)view->width, height = (size_t)view->height;
    size_t cells = width * height;
    size_t coarse_width = (size_t)view->coarse.width;
    size_t coarse_cells = coarse_width * (size_t)view->coarse.height;
    bw_workspace *ws = view->workspace;
    tables->far_depth = bw_reserve(ws, BW_CELL_FAR, cells, sizeof(float));
    tables->coarse_far = bw_reserve(ws, BW_COARSE_FAR, coarse_cells, sizeof(float));
    tables->occupied = bw_reserve(ws, BW_CELL_SUM, (width + 1) * (height + 1), sizeof(int32_t));
    if (tables->far_depth == NULL || tables->coarse_far == NULL || tables->occupied == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (size_t i = 0; i < cells; i++) {
        tables->far_depth[i] = -INFINITY;
    }
    for (size_t i = 0; i < coarse_cells; i++) {
        tables->coarse_far[i] = -INFINITY;
    }
    int64_t count = view->span_start[view->feature_count];
    for (int64_t i = 0; i < count; i++) {
        const bw_span *span = view->spans + i;
        if (span->farthest > tables->far_depth[span->cell]) {
            tables->far_depth[span->cell] = span->farthest;
        }
    }
    memset(tables->occupied, 0, (width + 1) * sizeof(int32_t));
    for (size_t row = 0; row < height; row++) {
        int32_t *sums = tables->occupied + (row + 1) * (width + 1);
        int32_t run = 0;
        sums[0] = 0;
        for (size_t column = 0; column < width; column++) {
            float depth = tables->far_depth[row * width + column];
            float *coarse = tables->coarse_far + (row >> BW_COARSE_SHIFT) * coarse_width +
                            (column >> BW_COARSE_SHIFT);
            run += depth > -INFINITY;
            sums[column + 1] = run + sums[column + 1 - (width + 1)];
            *coarse = depth > *coarse ? depth : *coarse;
        }
    }
    return 0;
}

int bw_lay_grid(bw_view *view, bw_cell_tables *tables) {
    choose_grid(view);
    view->fine.width = view->width;
    view->fine.height = view->height;
    view->coarse.width = ((view->width - 1) >> BW_COARSE_SHIFT) + 1;
    view->coarse.height = ((view->height - 1) >> BW_COARSE_SHIFT) + 1;
    int status = cut_spans(view);
    return status < 0 ? status : fill_tables(view, tables);
}
