// SPDX-License-Identifier: GPL-3.0-or-later
//
// Which triangles may hide something in which cell. A fine grid for most triangles, one 16
// times coarser for those that would fill too many fine cells. Triangles that lie behind every
// feature of their cells are dropped; the others are listed from near to far.

#include <math.h>
#include <string.h>

#include "view.h"

#define FINE_CELLS_MOST 256     // cells of one triangle's box in the fine grid
#define FINE_CELLS_FEW 16       // the same where that would make too many entries
#define ENTRIES_PER_TRIANGLE 32

typedef struct {
    int16_t column, row;
    float depth;  // rounded down
} vertex_cell;

// Cell of a coordinate, -1 before and `cells` behind the grid.
static int16_t open_cell(double g, int32_t cells) {
    if (!(g >= 0.0)) {
        return -1;
    }
    if (g >= (double)cells) {
        return (int16_t)cells;
    }
    return (int16_t)g;
}

static int32_t occupied_cells(const bw_cell_tables *tables, int32_t width, const bw_kept *box) {
    const int32_t *low = tables->occupied + (ptrdiff_t)box->row0 * (width + 1);
    const int32_t *high = tables->occupied + (ptrdiff_t)(box->row1 + 1) * (width + 1);
    return high[box->column1 + 1] - high[box->column0] - low[box->column1 + 1] +
           low[box->column0];
}

// So few cells that looking at them is no dearer than asking the table.
static int is_small(const bw_kept *box) {
    return box->column1 - box->column0 <= 1 && box->row1 - box->row0 <= 1;
}

static int is_coarse(const bw_view *view, const bw_kept *box) {
    return (box->column1 - box->column0 + 1) * (box->row1 - box->row0 + 1) >
           view->fine_cells_most;
}

// Count the cells that keep the triangle; 0 drops it.
static int32_t count_cells(const bw_view *view, const bw_cell_tables *tables, const bw_kept *box,
                           int32_t *fine_count, int32_t *coarse_count) {
    int32_t found = 0;
    if (is_coarse(view, box)) {
        int32_t width = view->coarse.width;
        for (int32_t r = box->row0 >> BW_COARSE_SHIFT; r <= box->row1 >> BW_COARSE_SHIFT; r++) {
            for (int32_t c = box->column0 >> BW_COARSE_SHIFT; c <= box->column1 >> BW_COARSE_SHIFT;
                 c++) {
                int32_t cell = r * width + c;
                int32_t keep = box->nearest < tables->coarse_far[cell];
                coarse_count[cell] += keep;
                found += keep;
            }
        }
        return found;
    }
    for (int32_t r = box->row0; r <= box->row1; r++) {
        for (int32_t c = box->column0; c <= box->column1; c++) {
            int32_t cell = r * view->width + c;
            int32_t keep = box->nearest < tables->far_depth[cell];
            fine_count[cell] += keep;
            found += keep;
        }
    }
    return found;
}

// Cell range of a triangle given its corners' cells; 0 when it misses the grid.
static int clamp_range(const bw_view *view, int16_t column0, int16_t column1, int16_t row0,
                       int16_t row1, bw_kept *box) {
    if (column1 < 0 || row1 < 0 || column0 >= view->width || row0 >= view->height) {
        return 0;
    }
    box->column0 = column0 < 0 ? 0 : column0;
    box->row0 = row0 < 0 ? 0 : row0;
    box->column1 = column1 >= view->width ? (int16_t)(view->width - 1) : column1;
    box->row1 = row1 >= view->height ? (int16_t)(view->height - 1) : row1;
    return 1;
}

static int16_t least16(int16_t a, int16_t b, int16_t c) {
    int16_t m = a < b ? a : b;
    return m < c ? m : c;
}

static int16_t most16(int16_t a, int16_t b, int16_t c) {
    int16_t m = a > b ? a : b;
    return m > c ? m : c;
}

typedef struct {
    double x, y, depth;
    int32_t vertex;  // -1 where the near plane made the corner
} corner;

static corner whole_corner(const bw_view *view, int32_t vertex) {
    const bw_vertex *v = view->vertices + vertex;
    return (corner){v->x, v->y, v->depth, vertex};
}

// Where a side meets the near plane; always from the outer end, so that neighbours agree.
static corner cut_corner(const bw_view *view, int32_t outer_vertex, int32_t inner_vertex) {
    double nearest = view->in->near_clip;
    const bw_vertex *outer = view->vertices + outer_vertex;
    const bw_vertex *inner = view->vertices + inner_vertex;
    double u = (nearest - outer->clip) / (inner->clip - outer->clip);
    if (!view->perspective) {
        return (corner){outer->x + u * (inner->x - outer->x),
                        outer->y + u * (inner->y - outer->y), nearest, -1};
    }
    double x = inner->x * inner->clip, y = inner->y * inner->clip;
    return (corner){(outer->x + u * (x - outer->x)) / nearest,
                    (outer->y + u * (y - outer->y)) / nearest, -1.0 / nearest, -1};
}

typedef struct {
    corner corners[3];
    uint8_t interior;  // bit k: side k, only between the two parts
} near_part;

// Cut a triangle by the near plane: one part where one corner is left, two where two are.
static int clip_near(const bw_view *view, const int32_t *t, near_part parts[2]) {
    int behind[3], count = 0;
    for (int k = 0; k < 3; k++) {
        behind[k] = view->vertices[t[k]].clip < view->in->near_clip;
        count += behind[k];
    }
    for (int k = 0; k < 3; k++) {
        int32_t a = t[k], b = t[(k + 1) % 3], c = t[(k + 2) % 3];
        if (count == 1 && behind[k]) {
            corner ab = cut_corner(view, a, b);
            corner last = whole_corner(view, c);
            parts[0] = (near_part){{ab, whole_corner(view, b), last}, 4};
            parts[1] = (near_part){{ab, last, cut_corner(view, a, c)}, 1};
            return 2;
        }
        if (count == 2 && !behind[k]) {
            parts[0] = (near_part){
                {whole_corner(view, a), cut_corner(view, b, a), cut_corner(view, c, a)}, 0};
            return 1;
        }
    }
    return 0;
}

// Write a part, turned counter-clockwise; 0 when it has no area.
static int write_record(const bw_view *view, int32_t triangle, const near_part *part,
                        bw_record *record) {
    const corner *c = part->corners;
    double area = (c[1].x - c[0].x) * (c[2].y - c[0].y) - (c[2].x - c[0].x) * (c[1].y - c[0].y);
    if (!(area > 0.0) && !(area < 0.0)) {
        return 0;
    }
    int back = area < 0.0;
    record->interior = 0;
    for (int k = 0; k < 3; k++) {
        int from = back && k > 0 ? 3 - k : k;
        record->x[k] = c[from].x;
        record->y[k] = c[from].y;
        record->depth[k] = c[from].depth;
        record->vertex[k] = c[from].vertex;
        unsigned bit = ((unsigned)part->interior >> (back ? 2 - k : k)) & 1u;
        record->interior = (uint8_t)(record->interior | (bit << k));
    }
    record->interior_known = 1;
    record->area = back ? -area : area;
    record->triangle = triangle;
    record->rank = view->in->triangle_rank[triangle];
    return 1;
}

static void write_box(const double x[3], const double y[3], float box[4]) {
    box[0] = bw_round_down(bw_min(x[0], bw_min(x[1], x[2])));
    box[1] = bw_round_down(bw_min(y[0], bw_min(y[1], y[2])));
    box[2] = -bw_round_up(bw_max(x[0], bw_max(x[1], x[2])));
    box[3] = -bw_round_up(bw_max(y[0], bw_max(y[1], y[2])));
}

// Write a triangle that the near plane leaves whole.
static void write_whole(const bw_view *view, int32_t triangle, bw_record *record) {
    const int32_t *t = view->in->triangles + 3 * (ptrdiff_t)triangle;
    int back = view->facing[triangle] < 0;
    const int32_t corners[3] = {t[0], t[1 + back], t[2 - back]};
    for (int k = 0; k < 3; k++) {
        const bw_vertex *v = view->vertices + corners[k];
        record->vertex[k] = corners[k];
        record->x[k] = v->x;
        record->y[k] = v->y;
        record->depth[k] = v->depth;
    }
    record->area = (record->x[1] - record->x[0]) * (record->y[2] - record->y[0]) -
                   (record->x[2] - record->x[0]) * (record->y[1] - record->y[0]);
    record->triangle = triangle;
    record->rank = view->in->triangle_rank[triangle];
    record->interior_known = 0;
}

static int find_occluders(bw_view *view, const bw_cell_tables *tables, int32_t *fine_count,
                          int32_t *coarse_count) {
    const bw_visibility_input *in = view->in;
    bw_workspace *ws = view->workspace;
    size_t nv = (size_t)in->vertex_count, nt = (size_t)in->triangle_count;
    vertex_cell *cells = bw_reserve(ws, BW_VERTEX_CELLS, nv, sizeof *cells);
    if (cells == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (size_t i = 0; i < nv; i++) {
        const bw_vertex *v = view->vertices + i;
        cells[i].column = open_cell((v->x - view->origin_x) * view->inverse_cell, view->width);
        cells[i].row = open_cell((v->y - view->origin_y) * view->inverse_cell, view->height);
        cells[i].depth = bw_round_down(v->depth);
    }
    size_t cut = 0;
    for (size_t i = 0; i < nt; i++) {
        cut += view->near_cut[i] == 1;
    }
    // A triangle with one corner behind the near plane leaves two.
    bw_kept *kept = bw_reserve(ws, BW_KEPT, nt + cut, sizeof *kept);
    bw_record *records = bw_reserve(ws, BW_RECORDS, nt + cut, sizeof *records);
    if (kept == NULL || records == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    size_t count = 0;
    for (size_t i = 0; i < nt; i++) {
        int facing = view->facing[i];
        if (facing == 0 || !in->triangle_occludes[i] || view->near_cut[i] == 2 ||
            (facing < 0 && in->triangle_closed[i])) {
            continue;
        }
        const int32_t *t = in->triangles + 3 * i;
        bw_kept *box = kept + count;
        if (view->near_cut[i] == 0) {
            vertex_cell a = cells[t[0]], b = cells[t[1]], c = cells[t[2]];
            if (!clamp_range(view, least16(a.column, b.column, c.column),
                             most16(a.column, b.column, c.column), least16(a.row, b.row, c.row),
                             most16(a.row, b.row, c.row), box)) {
                continue;
            }
            float nearest = a.depth < b.depth ? a.depth : b.depth;
            box->nearest = c.depth < nearest ? c.depth : nearest;
            if (!is_small(box) && occupied_cells(tables, view->width, box) == 0) {
                continue;
            }
            box->triangle = (int32_t)i;
            if (count_cells(view, tables, box, fine_count, coarse_count) > 0) {
                write_whole(view, (int32_t)i, records + count);
                write_box(records[count].x, records[count].y, box->box);
                count++;
            }
            continue;
        }
        near_part parts[2];
        int part_count = clip_near(view, t, parts);
        for (int p = 0; p < part_count; p++) {
            const corner *c = parts[p].corners;
            int16_t column[3], row[3];
            for (int j = 0; j < 3; j++) {
                column[j] = open_cell((c[j].x - view->origin_x) * view->inverse_cell, view->width);
                row[j] = open_cell((c[j].y - view->origin_y) * view->inverse_cell, view->height);
            }
            box = kept + count;
            if (!clamp_range(view, least16(column[0], column[1], column[2]),
                             most16(column[0], column[1], column[2]),
                             least16(row[0], row[1], row[2]), most16(row[0], row[1], row[2]),
                             box) ||
                occupied_cells(tables, view->width, box) == 0 ||
                !write_record(view, (int32_t)i, parts + p, records + count)) {
                continue;
            }
            box->nearest =
                bw_round_down(bw_min(c[0].depth, bw_min(c[1].depth, c[2].depth)));
            box->triangle = (int32_t)i;
            if (count_cells(view, tables, box, fine_count, coarse_count) > 0) {
                write_box(records[count].x, records[count].y, box->box);
                count++;
            }
        }
    }
    view->kept = kept;
    view->records = records;
    view->kept_count = (int64_t)count;
    return 0;
}

typedef struct {
    uint32_t key, index;
} sort_item;

// Order of the kept triangles from near to far: radix sort on the float's bits, so that it
// holds for any depth range.
static sort_item *sort_by_depth(bw_view *view) {
    size_t count = (size_t)view->kept_count;
    sort_item *items = bw_reserve(view->workspace, BW_SORT_KEYS, count, sizeof *items);
    sort_item *spare = bw_reserve(view->workspace, BW_SORT_SPARE, count, sizeof *spare);
    if (items == NULL || spare == NULL) {
        return NULL;
    }
    uint32_t histogram[3][2048];
    memset(histogram, 0, sizeof histogram);
    for (size_t i = 0; i < count; i++) {
        uint32_t bits;
        memcpy(&bits, &view->kept[i].nearest, sizeof bits);
        bits ^= (bits >> 31) != 0 ? 0xFFFFFFFFu : 0x80000000u;
        items[i] = (sort_item){bits, (uint32_t)i};
        histogram[0][bits & 2047u]++;
        histogram[1][(bits >> 11) & 2047u]++;
        histogram[2][bits >> 22]++;
    }
    for (unsigned pass = 0; pass < 3; pass++) {
        unsigned shift = 11 * pass;
        uint32_t sum = 0;
        for (size_t k = 0; k < 2048; k++) {
            uint32_t n = histogram[pass][k];
            histogram[pass][k] = sum;
            sum += n;
        }
        for (size_t i = 0; i < count; i++) {
            spare[histogram[pass][(items[i].key >> shift) & 2047u]++] = items[i];
        }
        sort_item *swap = items;
        items = spare;
        spare = swap;
    }
    return items;
}

static int64_t sum_counts(const int32_t *counts, size_t cells) {
    int64_t sum = 0;
    for (size_t i = 0; i < cells; i++) {
        sum += counts[i];
    }
    return sum;
}

static void counts_to_starts(int32_t *counts, size_t cells) {
    int32_t sum = 0;
    for (size_t i = 0; i < cells; i++) {
        int32_t n = counts[i];
        counts[i] = sum;
        sum += n;
    }
    counts[cells] = sum;
}

int bw_list_occluders(bw_view *view, const bw_cell_tables *tables) {
    bw_workspace *ws = view->workspace;
    // One extra slot in front: the fill advances start[cell + 1] until it is the end of `cell`.
    size_t fine_cells = (size_t)view->width * (size_t)view->height;
    size_t coarse_cells = (size_t)view->coarse.width * (size_t)view->coarse.height;
    int32_t *fine_start = bw_reserve(ws, BW_FINE_START, fine_cells + 2, sizeof *fine_start);
    int32_t *coarse_start = bw_reserve(ws, BW_COARSE_START, coarse_cells + 2, sizeof *coarse_start);
    if (fine_start == NULL || coarse_start == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    int64_t most = ENTRIES_PER_TRIANGLE * view->in->triangle_count + 65536;
    int64_t fine_count = 0;
    view->fine_cells_most = FINE_CELLS_MOST;
    for (;;) {
        memset(fine_start, 0, (fine_cells + 2) * sizeof *fine_start);
        memset(coarse_start, 0, (coarse_cells + 2) * sizeof *coarse_start);
        int status = find_occluders(view, tables, fine_start + 1, coarse_start + 1);
        if (status < 0) {
            return status;
        }
        fine_count = sum_counts(fine_start + 1, fine_cells);
        if (fine_count <= most || view->fine_cells_most == FINE_CELLS_FEW) {
            break;
        }
        view->fine_cells_most = FINE_CELLS_FEW;
    }
    int64_t coarse_count = sum_counts(coarse_start + 1, coarse_cells);
    if (fine_count > INT32_MAX || coarse_count > INT32_MAX) {
        return BW_OUT_OF_MEMORY;
    }
    counts_to_starts(fine_start + 1, fine_cells);
    counts_to_starts(coarse_start + 1, coarse_cells);
    size_t kept_count = (size_t)view->kept_count;
    sort_item *order = sort_by_depth(view);
    bw_entry *fine = bw_reserve(ws, BW_FINE_ENTRIES, (size_t)fine_count, sizeof *fine);
    bw_entry *coarse = bw_reserve(ws, BW_COARSE_ENTRIES, (size_t)coarse_count, sizeof *coarse);
    if (order == NULL || fine == NULL || coarse == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (size_t i = 0; i < kept_count; i++) {
        uint32_t index = order[i].index;
        const bw_kept *kept = view->kept + index;
        bw_entry entry;
        memcpy(entry.box, kept->box, sizeof entry.box);
        entry.nearest = kept->nearest;
        entry.occluder = (int32_t)index;
        if (is_coarse(view, kept)) {
            for (int32_t r = kept->row0 >> BW_COARSE_SHIFT; r <= kept->row1 >> BW_COARSE_SHIFT; r++) {
                for (int32_t c = kept->column0 >> BW_COARSE_SHIFT;
                     c <= kept->column1 >> BW_COARSE_SHIFT; c++) {
                    int32_t cell = r * view->coarse.width + c;
                    if (entry.nearest < tables->coarse_far[cell]) {
                        coarse[coarse_start[cell + 1]++] = entry;
                    }
                }
            }
            continue;
        }
        for (int32_t r = kept->row0; r <= kept->row1; r++) {
            for (int32_t c = kept->column0; c <= kept->column1; c++) {
                int32_t cell = r * view->width + c;
                if (entry.nearest < tables->far_depth[cell]) {
                    fine[fine_start[cell + 1]++] = entry;
                }
            }
        }
    }
    view->fine.entries = fine;
    view->fine.start = fine_start;
    view->coarse.entries = coarse;
    view->coarse.start = coarse_start;
    view->entry_count = fine_count + coarse_count;
    return 0;
}
