// SPDX-License-Identifier: GPL-3.0-or-later
//
// Order of strokes. Node 2i is the start of stroke i, node 2i + 1 its end; a tour lists the
// node at which each stroke is entered. Costs are integers, so gains are exact. Costs, lists
// and the greedy tour equal numpy_points bit for bit; the search goes its own way: moves on
// neighbour lists with a stack of dirty nodes, then kicks with an undo log.

#include <math.h>
#include <string.h>

#include "workspace.h"

#define COST_UNIT 1024.0
#define FORBIDDEN (1 << 28)
#define TINY 1e-12
#define LIST_MOST 32   // longest neighbour list
#define RUN_MOST 3     // longest run of strokes moved at once
#define KICK_MOST 10   // longest run of strokes swapped by a kick

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
    if (count < 0 || count > 46340 || (count & 1) != 0) {
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
    if (count < 0 || count > 46340 || size < 1 || size > LIST_MOST || size > count) {
        return BW_BAD_SIZE;
    }
    for (int64_t p = 0; p < count; p++) {
        const int32_t *row = costs + p * count;
        int32_t *list = neighbours + p * size;
        int32_t cost[LIST_MOST];
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

static int lists_are_valid(int64_t count, int32_t size, const int32_t *neighbours) {
    uint32_t worst = 0;
    for (int64_t i = 0; i < count * size; i++) {
        worst = (uint32_t)neighbours[i] > worst ? (uint32_t)neighbours[i] : worst;
    }
    return count * size == 0 || worst < (uint64_t)count;
}

int64_t bw_greedy_tour(bw_workspace *workspace, int64_t count, int32_t size,
                       const int32_t *costs, const int32_t *neighbours, int32_t *tour) {
    if (count < 0 || count > 46340 || (count & 1) != 0 || size < 0 || size > LIST_MOST ||
        !lists_are_valid(count, size, neighbours)) {
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

// --- search ------------------------------------------------------------------------------

typedef struct {
    int32_t low, size;
} reversal;

typedef struct {
    const int32_t *costs;
    const int32_t *neighbours;
    int32_t list_size;
    int32_t strokes;
    int64_t nodes;
    int32_t *order;    // entry node by position
    int32_t *place;    // position by node
    int32_t *stack;    // dirty nodes
    uint8_t *stacked;
    int32_t stack_size;
    int logging;
    reversal *log;
    size_t log_size, log_capacity;
    bw_workspace *workspace;
    int failed;
} search;

static inline int32_t cost_of(const search *s, int32_t p, int32_t q) {
    return s->costs[p * s->nodes + q];
}

static inline int is_entry(const search *s, int32_t node) {
    return s->order[s->place[node]] == node;
}

static inline int32_t mate_of(const search *s, int32_t node) {
    int32_t at = s->place[node];
    if (s->order[at] == node) {
        return s->order[at == 0 ? s->strokes - 1 : at - 1] ^ 1;
    }
    return s->order[at == s->strokes - 1 ? 0 : at + 1];
}

// Walk backwards through `size` positions from `low` on, round the end.
static void reverse_plainly(search *s, int32_t low, int32_t size) {
    int32_t n = s->strokes;
    int32_t i = low, j = low + size - 1;
    j = j >= n ? j - n : j;
    for (int32_t k = 0; k < size / 2; k++) {
        int32_t a = s->order[i] ^ 1, b = s->order[j] ^ 1;
        s->order[i] = b;
        s->place[b] = s->place[b ^ 1] = i;
        s->order[j] = a;
        s->place[a] = s->place[a ^ 1] = j;
        i = i + 1 == n ? 0 : i + 1;
        j = j == 0 ? n - 1 : j - 1;
    }
    if ((size & 1) != 0) {
        s->order[i] ^= 1;
    }
}

static void reverse(search *s, int32_t low, int32_t high) {
    int32_t size = high - low;
    size = (size < 0 ? size + s->strokes : size) + 1;
    if (2 * size > s->strokes) {  // the rest is the same tour, seen from behind
        low = low + size;
        low = low >= s->strokes ? low - s->strokes : low;
        size = s->strokes - size;
    }
    if (size <= 0) {
        return;
    }
    if (s->logging) {
        if (s->log_size == s->log_capacity) {
            reversal *log =
                bw_grow(s->workspace, BW_SCRATCH_G, 2 * s->log_capacity, sizeof *log);
            if (log == NULL) {
                s->failed = 1;
                return;
            }
            s->log = log;
            s->log_capacity *= 2;
        }
        s->log[s->log_size++] = (reversal){low, size};
    }
    reverse_plainly(s, low, size);
}

// Of the links (a, b) and (c, d), both walked in the same direction, make (a, c) and (b, d).
static void two_opt(search *s, int32_t b, int32_t c) {
    if (is_entry(s, b)) {
        reverse(s, s->place[b], s->place[c]);
    } else {
        reverse(s, s->place[c], s->place[b]);
    }
}

// The walk p, run from `first` to `last`, next ... c, d: put the run between c and d.
static void move_run(search *s, int32_t first, int32_t last, int32_t next, int32_t c,
                     int turned) {
    two_opt(s, first, c);  // p c ... next last first d
    two_opt(s, c, next);   // p next ... c last first d
    if (!turned) {
        two_opt(s, last, first);
    }
}

static inline void push(search *s, int32_t node) {
    if (!s->stacked[node]) {
        s->stacked[node] = 1;
        s->stack[s->stack_size++] = node;
    }
}

// Find and make the best move that removes the link at node a. Returns the gain.
static int32_t improve_node(search *s, int32_t a) {
    int32_t n = s->strokes;
    int32_t b = mate_of(s, a);
    int32_t link_cost = cost_of(s, a, b);
    int a_entered = is_entry(s, a);
    int32_t best = 0, best_run = 0, best_c = -1, best_d = -1, best_last = -1, best_next = -1;
    // Ends of the runs that start at a and lead away from b.
    int32_t last[RUN_MOST], next[RUN_MOST];
    int32_t at = s->place[a];
    int32_t runs = n - 3 < RUN_MOST ? n - 3 : RUN_MOST;
    for (int32_t r = 0, k = at; r < runs; r++) {
        int32_t entry = s->order[k];
        last[r] = a_entered ? entry ^ 1 : entry;
        k = a_entered ? (k + 1 == n ? 0 : k + 1) : (k == 0 ? n - 1 : k - 1);
        next[r] = a_entered ? s->order[k] : s->order[k] ^ 1;
    }
    const int32_t *near = s->neighbours + (int64_t)a * s->list_size;
    for (int32_t i = 0; i < s->list_size; i++) {
        int32_t c = near[i];
        int32_t spare = link_cost - cost_of(s, a, c);
        if (spare <= 0) {
            break;
        }
        int32_t d = mate_of(s, c);
        int32_t c_d = cost_of(s, c, d);
        int same = is_entry(s, c) == a_entered;
        if (same && d != a) {
            int32_t gain = spare + c_d - cost_of(s, b, d);
            if (gain > best) {
                best = gain;
                best_run = 0;
                best_c = c;
                best_d = d;
            }
        }
        int32_t apart = a_entered ? s->place[c] - at : at - s->place[c];
        apart = apart < 0 ? apart + n : apart;
        for (int32_t r = 0; r < runs; r++) {
            if (apart <= r) {
                break;  // c lies in the run, and in all longer ones
            }
            if (d == a || d == last[r]) {
                continue;
            }
            int32_t gain = spare + c_d + cost_of(s, last[r], next[r]) - cost_of(s, last[r], d) -
                           cost_of(s, b, next[r]);
            if (gain > best) {
                best = gain;
                best_run = r + 1;
                best_c = c;
                best_d = d;
                best_last = last[r];
                best_next = next[r];
            }
        }
    }
    if (best == 0) {
        return 0;
    }
    push(s, b);
    push(s, best_d);
    push(s, best_c);
    if (best_run == 0) {
        two_opt(s, b, best_c);
    } else {
        push(s, best_last);
        push(s, best_next);
        // In the walk from a through the run, is c entered (its mate comes first)?
        if (is_entry(s, best_c) == a_entered) {
            move_run(s, a, best_last, best_next, best_d, 1);
        } else {
            move_run(s, a, best_last, best_next, best_c, 0);
        }
    }
    push(s, a);
    return best;
}

static int64_t repair(search *s) {
    int64_t gained = 0;
    while (s->stack_size > 0 && !s->failed) {
        int32_t node = s->stack[--s->stack_size];
        s->stacked[node] = 0;
        gained += improve_node(s, node);
    }
    return gained;
}

static uint32_t next_random(uint32_t *state) {
    uint32_t value = *state;
    value ^= value << 13;
    value ^= value >> 17;
    value ^= value << 5;
    *state = value;
    return value;
}

static inline int32_t around(const search *s, int32_t position) {
    return position >= s->strokes ? position - s->strokes : position;
}

// Swap two neighbouring runs at random. Returns the gain, mostly negative.
static int32_t kick(search *s, uint32_t *state) {
    int32_t n = s->strokes;
    int32_t longest = (n - 2 < 3 * KICK_MOST ? n - 2 : 3 * KICK_MOST) / 3;
    longest = longest < 1 ? 1 : longest;
    int32_t l1 = (int32_t)(next_random(state) % (uint32_t)longest) + 1;
    int32_t l2 = (int32_t)(next_random(state) % (uint32_t)longest) + 1;
    int32_t at = (int32_t)(next_random(state) % (uint32_t)n);
    int32_t before = s->order[at == 0 ? n - 1 : at - 1] ^ 1;
    int32_t first = s->order[at];
    int32_t last = s->order[around(s, at + l1 - 1)] ^ 1;
    int32_t next = s->order[around(s, at + l1)];
    int32_t end = s->order[around(s, at + l1 + l2 - 1)] ^ 1;
    int32_t after = s->order[around(s, at + l1 + l2)];
    int32_t gain = cost_of(s, before, first) + cost_of(s, last, next) + cost_of(s, end, after) -
                   cost_of(s, before, next) - cost_of(s, end, first) - cost_of(s, last, after);
    move_run(s, first, last, next, end, 0);
    push(s, before);
    push(s, next);
    push(s, end);
    push(s, first);
    push(s, last);
    push(s, after);
    return gain;
}

int64_t bw_improve_tour(bw_workspace *workspace, int64_t count, int32_t size,
                        const int32_t *costs, const int32_t *neighbours, int64_t kicks,
                        uint32_t seed, int32_t *tour) {
    int64_t strokes = count / 2;
    if (count < 0 || count > 46340 || (count & 1) != 0 || size < 0 || size > LIST_MOST ||
        kicks < 0 || !lists_are_valid(count, size, neighbours)) {
        return BW_BAD_SIZE;
    }
    size_t nodes = (size_t)count;
    int32_t *ints = bw_reserve(workspace, BW_SCRATCH_E, 3 * nodes, sizeof *ints);
    uint8_t *stacked = bw_reserve(workspace, BW_SCRATCH_F, nodes, 1);
    const size_t log_capacity = 1024;
    reversal *log = bw_reserve(workspace, BW_SCRATCH_G, log_capacity, sizeof *log);
    if (ints == NULL || stacked == NULL || log == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    search s = {
        .costs = costs,
        .neighbours = neighbours,
        .list_size = size,
        .strokes = (int32_t)strokes,
        .nodes = count,
        .order = tour,
        .place = ints,
        .stack = ints + nodes,
        .stacked = stacked,
        .log = log,
        .log_capacity = log_capacity,
        .workspace = workspace,
    };
    memset(stacked, 0, nodes);
    for (int64_t i = 0; i < strokes; i++) {
        int32_t node = tour[i];
        if (node < 0 || node >= count || stacked[node & ~1]) {
            return BW_BAD_SIZE;
        }
        stacked[node & ~1] = 1;
        s.place[node] = s.place[node ^ 1] = (int32_t)i;
    }
    if (strokes < 3) {
        return 0;
    }
    memset(stacked, 0, nodes);
    for (int64_t i = strokes - 1; i >= 0; i--) {
        push(&s, tour[i] ^ 1);
        push(&s, tour[i]);
    }
    int64_t gained = repair(&s);
    if (strokes >= 5) {
        uint32_t state = seed != 0 ? seed : 0x9E3779B9u;
        s.logging = 1;
        for (int64_t k = 0; k < kicks && !s.failed; k++) {
            s.log_size = 0;
            int64_t gain = kick(&s, &state);
            gain += repair(&s);
            if (gain > 0) {
                gained += gain;
                continue;
            }
            while (s.log_size > 0) {
                reversal undo = s.log[--s.log_size];
                reverse_plainly(&s, undo.low, undo.size);
            }
        }
    }
    return s.failed ? BW_OUT_OF_MEMORY : gained;
}
