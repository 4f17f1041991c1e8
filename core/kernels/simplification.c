// SPDX-License-Identifier: GPL-3.0-or-later
//
// Douglas-Peucker on all polylines of a frame. Distances are computed as GEOS does it, so that
// ties fall the same way.

#include <math.h>
#include <string.h>

#include "workspace.h"

static double apart(const double *a, const double *b) {
    double dx = a[0] - b[0], dy = a[1] - b[1];
    return sqrt(dx * dx + dy * dy);
}

static double from_segment(const double *p, const double *a, const double *b) {
    double dx = b[0] - a[0], dy = b[1] - a[1];
    double length2 = dx * dx + dy * dy;
    if (dx == 0.0 && dy == 0.0) {
        return apart(p, a);
    }
    double r = ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2;
    if (r <= 0.0) {
        return apart(p, a);
    }
    if (r >= 1.0) {
        return apart(p, b);
    }
    double s = ((a[1] - p[1]) * dx - (a[0] - p[0]) * dy) / length2;
    return fabs(s) * sqrt(length2);
}

// Mark what stays of one polyline; returns how much.
static int64_t mark(const double *points, int64_t count, double tolerance, uint8_t *stays,
                    int64_t *stack) {
    memset(stays, 0, (size_t)count);
    stays[0] = stays[count - 1] = 1;
    int64_t kept = 2, depth = 0;
    stack[depth++] = 0;
    stack[depth++] = count - 1;
    while (depth > 0) {
        int64_t last = stack[--depth], first = stack[--depth];
        double farthest = -1.0;
        int64_t chosen = first;
        for (int64_t i = first + 1; i < last; i++) {
            double distance = from_segment(points + 2 * i, points + 2 * first, points + 2 * last);
            if (distance > farthest) {
                farthest = distance;
                chosen = i;
            }
        }
        if (!(farthest > tolerance)) {
            continue;
        }
        stays[chosen] = 1;
        kept++;
        stack[depth++] = first;
        stack[depth++] = chosen;
        stack[depth++] = chosen;
        stack[depth++] = last;
    }
    return kept;
}

int64_t bw_simplified(bw_workspace *workspace, int64_t count, const int64_t *offsets,
                      const double *points, double tolerance, double *out_points,
                      int64_t *out_offsets) {
    if (count < 0 || offsets[0] != 0) {
        return BW_BAD_SIZE;
    }
    int64_t longest = 0;
    for (int64_t i = 0; i < count; i++) {
        int64_t length = offsets[i + 1] - offsets[i];
        if (length < 1) {
            return BW_BAD_SIZE;
        }
        longest = length > longest ? length : longest;
    }
    uint8_t *stays = bw_reserve(workspace, BW_SCRATCH_A, (size_t)longest, 1);
    int64_t *stack = bw_reserve(workspace, BW_SCRATCH_B, 4 * (size_t)longest, sizeof *stack);
    if (longest > 0 && (stays == NULL || stack == NULL)) {
        return BW_OUT_OF_MEMORY;
    }
    int64_t written = 0;
    out_offsets[0] = 0;
    for (int64_t i = 0; i < count; i++) {
        const double *line = points + 2 * offsets[i];
        int64_t length = offsets[i + 1] - offsets[i];
        int64_t kept = length > 2 ? mark(line, length, tolerance, stays, stack) : length;
        const double *end = line + 2 * (length - 1);
        // A ring that would fold up is left as it is.
        if (kept < 4 && length > 2 && line[0] == end[0] && line[1] == end[1]) {
            kept = length;
        }
        for (int64_t k = 0; k < length; k++) {
            if (kept == length || stays[k]) {
                out_points[2 * written] = line[2 * k];
                out_points[2 * written + 1] = line[2 * k + 1];
                written++;
            }
        }
        out_offsets[i + 1] = written;
    }
    return written;
}
