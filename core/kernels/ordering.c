// SPDX-License-Identifier: GPL-3.0-or-later
//
// Order of strokes. Node 2i is the start of stroke i, node 2i + 1 its end; a tour lists the
// node at which each stroke is entered. Costs are integers, so gains are exact. Costs, lists
// and the greedy tour equal numpy_points bit for bit.

#include <math.h>
#include <string.h>

#include "ordering.h"

#define COST_UNIT 1024.0
#define FORBIDDEN (1 << 28)
#define TINY 1e-12

// Round half to even, as numpy does; |value| < 2^51.
static inline double round_even(double value) {
    const double shift = 6755399441055744.0;  // 1.5 * 2^52
    return (value + shift) - shift;
}

// -O3 vectorises it: no branches, no calls.
static void jump_row(const double *x, const double *y, int64_t from, int64_t count, double px,
                     double py, double jump_acceleration, double jump_speed, double fixed,
                     double *distance, int32_t *row) {
    double reach = jump_speed * jump_speed / jump_acceleration;
    for (int64_t q = from; q < count; q++) {
        double dx = fabs(px - x[q]), dy = fabs(py - y[q]);
        double d = dx > dy ? dx : dy;
        double slow = d < reach ? d : reach;
        double move = 2.0 * sqrt(slow / jump_acceleration) + (d - slow) / jump_speed;
        distance[q] = d;
        row[q] = (int32_t)round_even((move + fixed) * COST_UNIT);
    }
}

int64_t bw_link_costs(bw_workspace *workspace, int64_t count, const double *xy,
                      const double *tangent, const double *room, double acceleration,
                      double speed, double blend, double jump_acceleration, double jump_speed,
                      double settle, double join, int32_t *costs) {
    if (count < 0 || count > BW_NODES_MOST || (count & 1) != 0) {
        return BW_BAD_SIZE;
    }
    if (!(acceleration > 0.0) || !(speed > 0.0) || !(jump_acceleration > 0.0) ||
        !(jump_speed > 0.0)) {
        return BW_BAD_SETTING;
    }
    double *x = bw_reserve(workspace, BW_SCRATCH_A, 3 * (size_t)count, sizeof *x);
    if (x == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    double *y = x + count, *distance = x + 2 * count;
    double low_x = INFINITY, high_x = -INFINITY, low_y = INFINITY, high_y = -INFINITY;
    double check = 0.0;
    for (int64_t p = 0; p < count; p++) {
        x[p] = xy[2 * p];
        y[p] = xy[2 * p + 1];
        check += x[p] * 0.0 + y[p] * 0.0;
        low_x = x[p] < low_x ? x[p] : low_x;
        high_x = x[p] > high_x ? x[p] : high_x;
        low_y = y[p] < low_y ? y[p] : low_y;
        high_y = y[p] > high_y ? y[p] : high_y;
    }
    double fixed = speed / acceleration + settle;
    double widest = count > 0 ? fmax(high_x - low_x, high_y - low_y) : 0.0;
    double dearest = 2.0 * sqrt(widest / jump_acceleration) + widest / jump_speed + fixed;
    if (!(check == 0.0) || !(fixed == fixed)) {
        return BW_NOT_FINITE;
    }
    if (!(dearest * COST_UNIT < (double)FORBIDDEN)) {
        return BW_BAD_SETTING;
    }
    for (int64_t p = 0; p < count; p++) {
        int32_t *row = costs + p * count;
        jump_row(x, y, p, count, x[p], y[p], jump_acceleration, jump_speed, fixed, distance, row);
        for (int64_t q = p; q < count; q++) {
            if (!(distance[q] < join)) {
                continue;
            }
            double tx = tangent[2 * p] + tangent[2 * q];
            double ty = tangent[2 * p + 1] + tangent[2 * q + 1];
            double half = 0.5 * hypot(tx, ty);
            double least = room[p] < room[q] ? room[p] : room[q];
            double length = 2.0 * blend / (half > TINY ? half : TINY);
            length = length < least ? length : least;
            double most = fabs(tx) > fabs(ty) ? fabs(tx) : fabs(ty);
            double limit = 2.0 * length * acceleration / (most > TINY ? most : TINY);
            double through = sqrt(limit);
            through = through < speed ? through : speed;
            double dip = (speed - through) * (speed - through) / (acceleration * speed);
            double cost = round_even(dip * COST_UNIT);
            row[q] = cost < (double)FORBIDDEN ? (int32_t)cost : FORBIDDEN;
        }
        row[p] = FORBIDDEN;
        if ((p & 1) == 0) {
            row[p + 1] = FORBIDDEN;
        }
    }
    // Mirror in blocks that stay in the cache.
    for (int64_t p0 = 0; p0 < count; p0 += 32) {
        for (int64_t q0 = 0; q0 <= p0; q0 += 32) {
            for (int64_t p = p0; p < p0 + 32 && p < count; p++) {
                for (int64_t q = q0; q < q0 + 32 && q < p; q++) {
                    costs[p * count + q] = costs[q * count + p];
                }
            }
        }
    }
    return count;
}

// The `size` cheapest partners of each node, by cost, then by number.
int64_t bw_neighbour_lists(int64_t count, int32_t size, const int32_t *costs,
                           int32_t *neighbours) {
    if (count < 0 || count > BW_NODES_MOST || size < 1 || size > BW_LIST_MOST || size > count) {
        return BW_BAD_SIZE;
    }
    for (int64_t p = 0; p < count; p++) {
        const int32_t *row = costs + p * count;
        int32_t *list = neighbours + p * size;
        int32_t cost[BW_LIST_MOST];
        int32_t filled = 0;
        for (int32_t q = 0; q < (int32_t)count; q++) {
            int32_t c = row[q];
            if (filled == size && c >= cost[size - 1]) {
                continue;
            }
            int32_t k = filled < size ? filled++ : size - 1;
            while (k > 0 && cost[k - 1] > c) {
                cost[k] = cost[k - 1];
                list[k] = list[k - 1];
                k--;
            }
            cost[k] = c;
            list[k] = q;
        }
    }
    return count;
}

typedef struct {
    uint32_t cost;
    int32_t p, q;
} link;

// Stable sort by cost; costs may be slightly negative (bonus), hence the offset.
static link *sort_links(link *links, link *spare, size_t count) {
    uint32_t histogram[3][2048];
    memset(histogram, 0, sizeof histogram);
    for (size_t i = 0; i < count; i++) {
        histogram[0][links[i].cost & 2047u]++;
        histogram[1][(links[i].cost >> 11) & 2047u]++;
        histogram[2][links[i].cost >> 22]++;
    }
    for (unsigned pass = 0; pass < 3; pass++) {
        uint32_t sum = 0;
        for (size_t k = 0; k < 2048; k++) {
            uint32_t n = histogram[pass][k];
            histogram[pass][k] = sum;
            sum += n;
        }
        for (size_t i = 0; i < count; i++) {
            spare[histogram[pass][(links[i].cost >> (11 * pass)) & 2047u]++] = links[i];
        }
        link *swap = links;
        links = spare;
        spare = swap;
    }
    return links;
}

int64_t bw_greedy_tour(bw_workspace *workspace, int64_t count, int32_t size,
                       const int32_t *costs, const int32_t *neighbours, int32_t *tour) {
    if (count < 0 || count > BW_NODES_MOST || (count & 1) != 0 || size < 0 || size > BW_LIST_MOST ||
        !bw_lists_are_valid(count, size, neighbours)) {
        return BW_BAD_SIZE;
    }
    int64_t strokes = count / 2;
    if (strokes <= 1) {
        if (strokes == 1) {
            tour[0] = 0;
        }
        return strokes;
    }
    size_t most = (size_t)count * (size_t)size;
    link *links = bw_reserve(workspace, BW_SCRATCH_B, most, sizeof *links);
    link *spare = bw_reserve(workspace, BW_SCRATCH_C, most, sizeof *spare);
    int32_t *mate = bw_reserve(workspace, BW_SCRATCH_D, 2 * (size_t)count, sizeof *mate);
    if (links == NULL || spare == NULL || mate == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    // Ends of a fragment know each other: cheaper than union-find for paths.
    int32_t *far_end = mate + count;
    size_t found = 0;
    for (int32_t p = 0; p < (int32_t)count; p++) {
        mate[p] = -1;
        far_end[p] = p ^ 1;
        for (int32_t k = 0; k < size; k++) {
            int32_t q = neighbours[(int64_t)p * size + k];
            int listed_back = 0;
            for (int32_t j = 0; j < size && p > q; j++) {
                listed_back |= neighbours[(int64_t)q * size + j] == p;
            }
            if (!listed_back && p != q) {
                uint32_t cost = (uint32_t)costs[(int64_t)p * count + q] + 0x40000000u;
                links[found++] = (link){cost, p, q};
            }
        }
    }
    links = sort_links(links, spare, found);
    int64_t made = 0;
    for (size_t i = 0; i < found && made < strokes - 1; i++) {
        int32_t p = links[i].p, q = links[i].q;
        if (mate[p] >= 0 || mate[q] >= 0 || far_end[p] == q) {
            continue;
        }
        mate[p] = q;
        mate[q] = p;
        int32_t far_p = far_end[p], far_q = far_end[q];
        far_end[far_p] = far_q;
        far_end[far_q] = far_p;
        made++;
    }
    // Link what is left, fragment by fragment, by the nearest free end.
    int32_t node = 0;
    while (mate[node] >= 0) {
        node++;
    }
    while (made < strokes - 1) {
        int32_t end = far_end[node];
        int32_t nearest = -1;
        for (int32_t q = 0; q < (int32_t)count; q++) {
            if (mate[q] < 0 && q != node && q != end &&
                (nearest < 0 || costs[(int64_t)end * count + q] <
                                    costs[(int64_t)end * count + nearest])) {
                nearest = q;
            }
        }
        mate[end] = nearest;
        mate[nearest] = end;
        int32_t beyond = far_end[nearest];
        far_end[node] = beyond;
        far_end[beyond] = node;
        made++;
    }
    int32_t entry = 0;
    while (mate[entry] >= 0) {
        entry++;
    }
    for (int64_t i = 0; i < strokes; i++) {
        tour[i] = entry;
        entry = mate[entry ^ 1];
    }
    return strokes;
}
