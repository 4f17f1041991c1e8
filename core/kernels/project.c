// SPDX-License-Identifier: GPL-3.0-or-later
//
// Vertices into the image, facing of triangles, and the edges worth looking at.

#include <float.h>
#include <math.h>

#include "view.h"

static int finite_array(const double *values, size_t count) {
    double worst = 0.0;
    for (size_t i = 0; i < count; i++) {
        worst += values[i] * 0.0;  // NaN for NaN and infinity, else 0
    }
    return worst == 0.0;
}

int bw_project(bw_view *view) {
    const bw_visibility_input *in = view->in;
    const double *m = in->view_projection;
    size_t nv = (size_t)in->vertex_count;
    size_t nt = (size_t)in->triangle_count;
    if (!finite_array(m, 16) || !finite_array(in->page, 4) || !isfinite(in->near_clip) ||
        !isfinite(in->far_clip) || !isfinite(in->bias)) {
        return BW_NOT_FINITE;
    }
    view->perspective = m[12] != 0.0 || m[13] != 0.0 || m[14] != 0.0;
    view->ortho_w = m[15];
    if (!(in->near_clip < in->far_clip) || (view->perspective && !(in->near_clip > 0.0)) ||
        (!view->perspective && !(view->ortho_w > 0.0))) {
        return BW_BAD_SETTING;
    }
    bw_vertex *vertices = bw_reserve(view->workspace, BW_VERTICES, nv, sizeof *vertices);
    int8_t *facing = bw_reserve(view->workspace, BW_FACING, nt, 2);
    if (vertices == NULL || facing == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    uint8_t *near_cut = (uint8_t *)facing + nt;

    double nearest = in->near_clip;
    double largest = 0.0, least_depth = INFINITY, most_depth = -INFINITY;
    double check = 0.0;
    if (view->perspective) {
        for (size_t i = 0; i < nv; i++) {
            const double *p = in->positions + 3 * i;
            double x = m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3];
            double y = m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7];
            double w = m[12] * p[0] + m[13] * p[1] + m[14] * p[2] + m[15];
            check += (p[0] + p[1] + p[2]) * 0.0 + (x + y + w) * 0.0;
            double inverse = 1.0 / (w < nearest ? 1.0 : w);
            vertices[i].x = x * inverse;
            vertices[i].y = y * inverse;
            vertices[i].depth = -inverse;
            vertices[i].clip = w;
        }
    } else {
        double inverse = 1.0 / view->ortho_w;
        for (size_t i = 0; i < nv; i++) {
            const double *p = in->positions + 3 * i;
            double x = m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3];
            double y = m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7];
            double z = m[8] * p[0] + m[9] * p[1] + m[10] * p[2] + m[11];
            check += (p[0] + p[1] + p[2]) * 0.0 + (x + y + z) * 0.0;
            vertices[i].x = x * inverse;
            vertices[i].y = y * inverse;
            vertices[i].depth = z;
            vertices[i].clip = z;
            largest = bw_max(largest, fabs(z));
            least_depth = bw_min(least_depth, z);
            most_depth = bw_max(most_depth, z);
        }
    }
    if (!(check == 0.0)) {
        return BW_NOT_FINITE;
    }
    // The scene's extent in depth; of a flat one enough to cover rounding.
    view->depth_reach = bw_max(most_depth - least_depth, largest * 1e-6);

    for (size_t i = 0; i < nt; i++) {
        const int32_t *t = in->triangles + 3 * i;
        if ((uint32_t)t[0] >= nv || (uint32_t)t[1] >= nv || (uint32_t)t[2] >= nv) {
            return BW_BAD_SIZE;
        }
        const bw_vertex *a = vertices + t[0];
        const bw_vertex *b = vertices + t[1];
        const bw_vertex *c = vertices + t[2];
        int behind = (a->clip < nearest) + (b->clip < nearest) + (c->clip < nearest);
        double area;
        if (behind == 0 || !view->perspective) {
            area = (b->x - a->x) * (c->y - a->y) - (c->x - a->x) * (b->y - a->y);
        } else {
            // Sign of det[(x w, y w, w)]: the eye's side of the triangle's plane.
            double wa = a->clip, wb = b->clip, wc = c->clip;
            double fa = wa < nearest ? 1.0 : wa;
            double fb = wb < nearest ? 1.0 : wb;
            double fc = wc < nearest ? 1.0 : wc;
            double xa = a->x * fa, ya = a->y * fa;
            double xb = b->x * fb, yb = b->y * fb;
            double xc = c->x * fc, yc = c->y * fc;
            area = xa * (yb * wc - yc * wb) - ya * (xb * wc - xc * wb) + wa * (xb * yc - xc * yb);
        }
        facing[i] = (int8_t)((area > 0.0) - (area < 0.0));
        near_cut[i] = (uint8_t)((behind > 0) + (behind == 3));
    }
    view->vertices = vertices;
    view->facing = facing;
    view->near_cut = near_cut;
    return 0;
}

// Move the end whose clip distance is beyond `plane` onto it.
static void cut_end(const bw_view *view, bw_vertex *end, const bw_vertex *other, double plane) {
    double u = (plane - end->clip) / (other->clip - end->clip);
    double nearest = view->in->near_clip;
    if (view->perspective) {
        double we = end->clip < nearest ? 1.0 : end->clip;
        double wo = other->clip < nearest ? 1.0 : other->clip;
        double xe = end->x * we, ye = end->y * we;
        end->x = (xe + u * (other->x * wo - xe)) / plane;
        end->y = (ye + u * (other->y * wo - ye)) / plane;
        end->depth = -1.0 / plane;
    } else {
        end->x += u * (other->x - end->x);
        end->y += u * (other->y - end->y);
        end->depth = plane;
    }
    end->clip = plane;
}

// Liang-Barsky: narrow [t0, t1] to where start + t * step lies in [low, high].
static void clip_axis(double start, double step, double low, double high, double *t0,
                      double *t1) {
    if (step == 0.0) {
        if (start < low || start > high) {
            *t1 = -1.0;
        }
        return;
    }
    double enter = ((step > 0.0 ? low : high) - start) / step;
    double leave = ((step > 0.0 ? high : low) - start) / step;
    *t0 = bw_max(*t0, enter);
    *t1 = bw_min(*t1, leave);
}

int bw_find_features(bw_view *view) {
    const bw_visibility_input *in = view->in;
    size_t ne = (size_t)in->edge_count;
    uint64_t nv = (uint64_t)in->vertex_count;
    uint64_t nt = (uint64_t)in->triangle_count;
    const int8_t *facing = view->facing;
    const bw_vertex *vertices = view->vertices;
    double nearest = in->near_clip;
    double farthest = in->far_clip;
    size_t capacity = 1024;
    size_t count = 0;
    bw_feature *features = bw_reserve(view->workspace, BW_FEATURES, capacity, sizeof *features);
    if (features == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    capacity = view->workspace->bytes[BW_FEATURES] / sizeof *features;

    for (size_t e = 0; e < ne; e++) {
        int32_t f0 = in->edge_faces[2 * e];
        int32_t f1 = in->edge_faces[2 * e + 1];
        uint16_t kind = in->edge_kind[e];
        if (f0 >= 0 && f1 >= 0) {
            if ((uint64_t)f0 >= nt || (uint64_t)f1 >= nt) {
                return BW_BAD_SIZE;
            }
            int front0 = facing[f0] > 0;
            int front1 = facing[f1] > 0;
            if (in->edge_silhouette[e] && ((front0 != front1) != (in->edge_flip[e] != 0))) {
                kind = (uint16_t)(kind | BW_SILHOUETTE);
            }
            if (kind == 0) {
                continue;
            }
            // Behind both its faces, which hide: it cannot be seen.
            if (!front0 && !front1 && in->triangle_closed[f0] && in->triangle_closed[f1] &&
                in->triangle_occludes[f0] && in->triangle_occludes[f1]) {
                continue;
            }
        } else if (kind == 0) {
            continue;
        }
        if ((f0 >= 0 && (uint64_t)f0 >= nt) || (f1 >= 0 && (uint64_t)f1 >= nt)) {
            return BW_BAD_SIZE;
        }
        int32_t a = in->edges[2 * e];
        int32_t b = in->edges[2 * e + 1];
        if ((uint64_t)(uint32_t)a >= nv || (uint64_t)(uint32_t)b >= nv) {
            return BW_BAD_SIZE;
        }
        bw_vertex start = vertices[a];
        bw_vertex end = vertices[b];
        if ((start.clip < nearest && end.clip < nearest) ||
            (start.clip > farthest && end.clip > farthest)) {
            continue;
        }
        bw_vertex start0 = start;
        int a_cut = 0, b_cut = 0;
        if (start.clip < nearest || start.clip > farthest) {
            cut_end(view, &start, &end, start.clip < nearest ? nearest : farthest);
            a_cut = 1;
        }
        if (end.clip < nearest || end.clip > farthest) {
            cut_end(view, &end, &start0, end.clip < nearest ? nearest : farthest);
            b_cut = 1;
        }
        double t0 = 0.0, t1 = 1.0;
        double dx = end.x - start.x;
        double dy = end.y - start.y;
        clip_axis(start.x, dx, in->page[0], in->page[1], &t0, &t1);
        clip_axis(start.y, dy, in->page[2], in->page[3], &t0, &t1);
        if (!(t1 - t0 > BW_SHORTEST)) {
            continue;
        }
        if (count == capacity) {
            features = bw_grow(view->workspace, BW_FEATURES, 2 * capacity, sizeof *features);
            if (features == NULL) {
                return BW_OUT_OF_MEMORY;
            }
            capacity = view->workspace->bytes[BW_FEATURES] / sizeof *features;
        }
        features[count++] = (bw_feature){
            .ax = start.x,
            .ay = start.y,
            .a_depth = start.depth,
            .bx = end.x,
            .by = end.y,
            .b_depth = end.depth,
            .t0 = t0,
            .t1 = t1,
            .edge = (int32_t)e,
            .a = a_cut ? -1 : a,
            .b = b_cut ? -1 : b,
            .kind = kind,
            .rank = in->edge_rank[e],
        };
    }
    view->features = features;
    view->feature_count = (int64_t)count;
    return 0;
}
