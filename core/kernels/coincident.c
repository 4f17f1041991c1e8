// SPDX-License-Identifier: GPL-3.0-or-later
//
// Lines that lie on one another, drawn once. The rules stand in numpy_coincident.py; both give
// the same stretches.

#include <math.h>
#include <string.h>

#include "joining.h"

#define LARGEST_ANGLE 1e-3   // radians
#define LEAST_STRETCH 1e-9   // of a piece, in u
#define BUCKETS_MOST 1048576

typedef struct {
    double away;  // distance of the piece's line from the origin
    double length;
    double dx, dy;
} line_of_piece;

typedef struct {
    double low, high;
    int64_t owner;
} covered;

typedef struct {
    covered *list;
    size_t count, capacity;
} covered_list;

static int cover(bw_workspace *ws, covered_list *found, int64_t owner, double low, double high) {
    if (found->count == found->capacity) {
        found->list = bw_grow(ws, BW_SCRATCH_D, 2 * found->capacity + 64, sizeof(covered));
        if (found->list == NULL) {
            return BW_OUT_OF_MEMORY;
        }
        found->capacity = ws->bytes[BW_SCRATCH_D] / sizeof(covered);
    }
    found->list[found->count++] = (covered){low, high, owner};
    return 0;
}

static double aside(const double *from, const line_of_piece *line, double x, double y) {
    double ox = x - from[0], oy = y - from[1];
    return fabs(ox * (line->dy / line->length) - oy * (line->dx / line->length));
}

// Take from the later of two pieces what the other draws.
static int compare_pieces(bw_workspace *ws, const double *xy, const int64_t *priority,
                          const line_of_piece *lines, int64_t a, int64_t b, double tolerance,
                          covered_list *found) {
    const line_of_piece *p = lines + a, *q = lines + b;
    double cross = fabs(p->dx * q->dy - p->dy * q->dx);
    double shorter = p->length < q->length ? p->length : q->length;
    double longer = p->length < q->length ? q->length : p->length;
    if (!(cross <= 2.0 * tolerance * longer) || !(shorter > 4.0 * tolerance) ||
        !(cross <= LARGEST_ANGLE * shorter * longer)) {
        return 0;
    }
    int a_stays = priority[a] < priority[b] || (priority[a] == priority[b] && a < b);
    int64_t kept = a_stays ? a : b, later = a_stays ? b : a;
    const line_of_piece *line = lines + later;
    const double *own = xy + 4 * later, *other = xy + 4 * kept;
    double along_x = line->dx / line->length, along_y = line->dy / line->length;
    double s0 = (other[0] - own[0]) * along_x + (other[1] - own[1]) * along_y;
    double s1 = (other[2] - own[0]) * along_x + (other[3] - own[1]) * along_y;
    double start = s0 < s1 ? s0 : s1, end = s0 < s1 ? s1 : s0;
    start = start > 0.0 ? start : 0.0;
    end = end < line->length ? end : line->length;
    if (!(end - start > 4.0 * tolerance) ||
        !(aside(other, lines + kept, own[0] + along_x * start, own[1] + along_y * start) <=
          tolerance) ||
        !(aside(other, lines + kept, own[0] + along_x * end, own[1] + along_y * end) <=
          tolerance)) {
        return 0;
    }
    double margin = tolerance / line->length;
    double low = start / line->length, high = end / line->length;
    // Ends within the margin count as reached.
    return cover(ws, found, later, low <= margin ? -0.25 : low,
                 high >= 1.0 - margin ? 1.25 : high);
}

// Compare all pieces whose lines pass the origin at nearly the same distance.
static int compare_all(bw_workspace *ws, int64_t count, const double *xy,
                       const int64_t *priority, double tolerance, covered_list *found) {
    line_of_piece *lines = bw_reserve(ws, BW_SCRATCH_A, (size_t)count, sizeof *lines);
    int32_t *sorted = bw_reserve(ws, BW_SCRATCH_C, 2 * (size_t)count, sizeof *sorted);
    if (lines == NULL || sorted == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    double reach = 0.0, farthest = 0.0;
    for (int64_t i = 0; i < count; i++) {
        const double *p = xy + 4 * i;
        line_of_piece *line = lines + i;
        line->dx = p[2] - p[0];
        line->dy = p[3] - p[1];
        line->length = sqrt(line->dx * line->dx + line->dy * line->dy);
        double away = fabs(p[0] * line->dy - p[1] * line->dx);
        line->away = away / (line->length > 0.0 ? line->length : 1.0);
        for (int k = 0; k < 4; k++) {
            reach = fabs(p[k]) > reach ? fabs(p[k]) : reach;
        }
        farthest = line->away > farthest ? line->away : farthest;
        if (!isfinite(line->away) || !isfinite(line->length)) {
            return BW_NOT_FINITE;
        }
    }
    double window = 1.5 * reach * LARGEST_ANGLE + 2.0 * tolerance;
    if (!(window > 0.0)) {
        return 0;  // all is one point
    }
    // A little wider than the window, so that rounding cannot part a pair by two buckets.
    double width = window * (1.0 + 1e-9);
    if (!(farthest / width < BUCKETS_MOST)) {
        width = farthest / BUCKETS_MOST;
    }
    size_t buckets = (size_t)(farthest / width) + 1;
    int32_t *start = bw_reserve(ws, BW_SCRATCH_B, buckets + 2, sizeof *start);
    if (start == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    int32_t *bucket_of = sorted + count;
    memset(start, 0, (buckets + 2) * sizeof *start);
    for (int64_t i = 0; i < count; i++) {
        bucket_of[i] = (int32_t)(lines[i].away / width);
        start[bucket_of[i] + 2]++;
    }
    for (size_t i = 2; i < buckets + 2; i++) {
        start[i] += start[i - 1];
    }
    for (int64_t i = 0; i < count; i++) {
        sorted[start[bucket_of[i] + 1]++] = (int32_t)i;
    }
    for (size_t bucket = 0; bucket < buckets; bucket++) {
        int32_t end = start[bucket + 1];
        int32_t last = bucket + 1 < buckets ? start[bucket + 2] : end;
        for (int32_t i = start[bucket]; i < end; i++) {
            for (int32_t k = i + 1; k < last; k++) {
                int32_t a = sorted[i], b = sorted[k];
                if (!(fabs(lines[a].away - lines[b].away) <= window)) {
                    continue;
                }
                int status = compare_pieces(ws, xy, priority, lines, a, b, tolerance, found);
                if (status < 0) {
                    return status;
                }
            }
        }
    }
    return 0;
}

static int keep_stretch(bw_workspace *ws, bw_stretch **out, size_t *count, size_t *capacity,
                        int64_t piece, double u0, double u1) {
    if (*count == *capacity) {
        *out = bw_grow(ws, BW_STRETCHES, 2 * *capacity + 64, sizeof **out);
        if (*out == NULL) {
            return BW_OUT_OF_MEMORY;
        }
        *capacity = ws->bytes[BW_STRETCHES] / sizeof **out;
    }
    (*out)[(*count)++] = (bw_stretch){u0, u1, piece};
    return 0;
}

int64_t bw_uncovered(bw_workspace *ws, int64_t count, const double *xy, const int64_t *priority,
                   double tolerance) {
    if (count < 0 || count > INT32_MAX / 4) {
        return BW_BAD_SIZE;
    }
    covered_list found = {.list = bw_reserve(ws, BW_SCRATCH_D, 64, sizeof(covered))};
    size_t capacity = (size_t)count + 1, kept = 0;
    bw_stretch *out = bw_reserve(ws, BW_STRETCHES, capacity, sizeof *out);
    int32_t *start = bw_reserve(ws, BW_SCRATCH_E, (size_t)count + 2, sizeof *start);
    if (found.list == NULL || out == NULL || start == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    found.capacity = ws->bytes[BW_SCRATCH_D] / sizeof(covered);
    if (tolerance > 0.0 && count > 1) {
        int status = compare_all(ws, count, xy, priority, tolerance, &found);
        if (status < 0) {
            return status;
        }
    }
    covered *sorted = bw_reserve(ws, BW_SCRATCH_F, found.count, sizeof *sorted);
    if (sorted == NULL && found.count > 0) {
        return BW_OUT_OF_MEMORY;
    }
    if (found.count > INT32_MAX / 4) {
        return BW_OUT_OF_MEMORY;
    }
    memset(start, 0, ((size_t)count + 2) * sizeof *start);
    for (size_t i = 0; i < found.count; i++) {
        start[found.list[i].owner + 2]++;
    }
    for (int64_t i = 2; i < count + 2; i++) {
        start[i] += start[i - 1];
    }
    for (size_t i = 0; i < found.count; i++) {
        sorted[start[found.list[i].owner + 1]++] = found.list[i];
    }
    capacity = ws->bytes[BW_STRETCHES] / sizeof *out;
    for (int64_t i = 0; i < count; i++) {
        double reached = 0.0;
        for (int32_t k = start[i]; k <= start[i + 1]; k++) {
            // The nearest of what is left: few lie on one piece.
            for (int32_t m = k + 1; m < start[i + 1]; m++) {
                if (sorted[m].low < sorted[k].low) {
                    covered swap = sorted[m];
                    sorted[m] = sorted[k];
                    sorted[k] = swap;
                }
            }
            double low = k < start[i + 1] ? sorted[k].low : 1.0;
            if (low - reached > LEAST_STRETCH &&
                keep_stretch(ws, &out, &kept, &capacity, i, reached, low) < 0) {
                return BW_OUT_OF_MEMORY;
            }
            if (k < start[i + 1] && sorted[k].high > reached) {
                reached = sorted[k].high;
            }
        }
    }
    return (int64_t)kept;
}


int64_t bw_take_stretches(const bw_workspace *workspace, int64_t count, int64_t *piece,
                          double *u) {
    const bw_stretch *stretches = workspace->memory[BW_STRETCHES];
    if (count < 0 || (size_t)count * sizeof *stretches > workspace->bytes[BW_STRETCHES]) {
        return BW_BAD_SIZE;
    }
    for (int64_t i = 0; i < count; i++) {
        piece[i] = stretches[i].piece;
        u[2 * i] = stretches[i].u0;
        u[2 * i + 1] = stretches[i].u1;
    }
    return count;
}
