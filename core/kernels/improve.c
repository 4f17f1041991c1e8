// SPDX-License-Identifier: GPL-3.0-or-later
//
// Shorter tours: moves on neighbour lists with a stack of dirty nodes, then kicks with an undo
// log (2-opt, Croes 1958; Or-opt, Or 1976; neighbour lists and dirty queues, Bentley 1992;
// iterated local search, Lourenco, Martin and Stuetzle; all from memory). Nodes and costs as
// in ordering.c. numpy_points searches otherwise; each is deterministic.

#include <string.h>

#include "ordering.h"

#define RUN_MOST 3    // longest run of strokes moved at once
#define KICK_MOST 10  // longest run of strokes swapped by a kick

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
    if (count < 0 || count > BW_NODES_MOST || (count & 1) != 0 || size < 0 || size > BW_LIST_MOST ||
        kicks < 0 || !bw_lists_are_valid(count, size, neighbours)) {
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
            // A tour as long as before is kept too: on meshes, with their many equal links,
            // walking along the plateau finds ways out that a fixed place has not.
            if (gain >= 0) {
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
