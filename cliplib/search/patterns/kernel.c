/* The loops of match.py over whole archives.

   kernel.py decides everything once for each kind of action (steps.py, where.py) and hands over tables; here
   they are only looked up. The rules are those at the top of match.py, by their numbers, and the tests hold
   both against one slow matcher. No Python in here: plain arrays in, plain arrays out, so that it needs no
   headers and runs beside other threads.

   What takes the time is waiting for memory, so what is looked at together lies together. *Postings* are the
   actions by technique, each technique's in the order of the archive, and they hold the next punch of either
   fighter as well: most actions that may begin a match are told from others, and matches of two punches are
   counted, without looking anything else up. The rest goes from action to action, depth first. All of it is
   done for one *block* of exchanges after the other, so that what is noted of each stays at hand.

   Bounds: `pack` checks every number that an action holds (its kind, its setting, the actions it points to).
   What it let through cannot lead the others outside their arrays. */

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#if defined(_WIN32)
#define PUBLIC __declspec(dllexport)
#else
#include <pthread.h>
#define THREADS
#define PUBLIC __attribute__((visibility("default")))
#endif

#if defined(__GNUC__)
#define PREFETCH(address) __builtin_prefetch(address)
static inline int lowest(uint64_t word) { return __builtin_ctzll(word); }
#else
#define PREFETCH(address) ((void)(address))
static inline int lowest(uint64_t word) {
    int place = 0;
    for (; !(word & 1); word >>= 1) place++;
    return place;
}
#endif

enum { NO = 0, MUST_ANSWER = 1 };                /* verdicts, as in steps.py */
enum { MOST_STEPS = 16, MOST_THREADS = 2 };      /* as kernel.py has them */
enum { SOME = 255, AHEAD = 24 };                 /* how many are taken together; fetched before their turn */
enum { FULL = 255 };                             /* the most that one byte of an action holds */
enum { PATIENCE = 1 << 16 };
enum { BLOCK = 1 << 14 };                        /* exchanges; as kernel.py has it */
enum { TICK = 62500 };                           /* microseconds, as match.py has it; known, it costs no division */
#define NO_COST INT32_MAX

/* A gap to the next punch: 0 unknown, else one more than twice the ticks, and one more again where it is no
   whole number of them. So a gap is at most n ticks long if its code is at most 2 n + 1. */
enum { UNKNOWN = 0, LONG = 0x7ffe, NEVER = 0x7fff, ANSWERS = 0x8000 };

typedef struct {
    int32_t since; /* microseconds since the exchange's first time, negative: unknown */
    uint16_t kind;
    uint8_t setting, next_own, next_other, answers; /* distances, 0: none */
    uint8_t left;                                   /* actions after it in its exchange */
    uint8_t corner;
} Action;

typedef struct {
    uint16_t kind, gap; /* gap: NEVER for no next punch; ANSWERS if the punch answers this very action */
} Next;

typedef struct {
    int64_t actions, exchanges, fights, techniques;
    Action *action;                /* [actions] */
    const int64_t *first_action;   /* [exchanges + 1] */
    const int64_t *first_exchange; /* [fights + 1] */
    const int32_t *fight_of;       /* [exchanges] */
    const int16_t *round;          /* [exchanges] not negative */
    /* Postings. */
    int64_t *begins;               /* [techniques, blocks + 1] where each block of each begins */
    int32_t *exchange;             /* [actions] */
    uint8_t *position;             /* [actions] in its exchange */
    uint16_t *kind;                /* [actions] */
    uint8_t *setting;              /* [actions] */
    Next *next[2];                 /* [actions] the other fighter's next punch, and the same one's */
    uint32_t *ahead[2];            /* [actions] Columns.ahead_other, ahead_own */
} Archive;

/* steps.Part */
typedef struct {
    const uint8_t *verdict;  /* [kinds] */
    const uint8_t *settings; /* [settings] or NULL */
    const int8_t *corners;   /* [fights] or NULL */
} Part;

typedef struct {
    const Part *part;
    int64_t parts;
    const uint8_t *verdict; /* [kinds] the best of the parts */
    const int32_t *cost;    /* [kinds] */
    const uint64_t *bits;   /* [kinds, words] the values that are counted */
    int64_t window;         /* microseconds, negative: any */
    int32_t same;           /* by whom the action before was */
    int32_t only_punches;
    int32_t answered;       /* rule 5: the step whose punch a counter must answer, or -1 */
    int32_t absents;        /* rule 6: how many steps must not happen right before this one */
    int64_t absent;         /* and the first of them, in Query.absent */
    uint64_t filters;       /* bits of the filters that its action may meet */
    const int64_t *chosen;  /* [slices, 2] techniques, and whether each of their kinds is asked for */
    int64_t slices;
    uint32_t ahead_bits;    /* the techniques as Archive.ahead has them */
} Step;

typedef struct {
    int64_t steps;
    const Step *step;        /* [steps + 1]; the last one holds only the absents that come last */
    const Step *absent;      /* `window`, `same`, `answered` and parts count */
    const Part *filter;
    uint64_t filters;        /* a bit for each: all have to be met */
    int64_t most_ticks;      /* the most that one gap may cost */
    int64_t tick_cost;
    const uint8_t *punch;    /* [kinds] */
    const uint8_t *allowed;  /* [exchanges] or NULL */
    const uint8_t *begins;   /* [kinds] kinds that may begin a match, or NULL */
    const int8_t *beginner;  /* [fights] the corner of whoever begins, or NULL */
    uint64_t rare;           /* steps so rare that it pays to see first in which exchanges they can happen */
    int64_t pair;            /* the step of which this pays together with the one before it, or 0 */
    int32_t few;             /* whether to look only at the exchanges allowed */
    int32_t plain;           /* nothing asked for beyond kinds, settings, gaps and answers */
    int64_t words;           /* of 64 values that are counted */
    int64_t corner_bit[2];   /* which of them say that the fighter of this corner has part, or -1 */
} Query;

/* Room to work in, for one block; `cost` all NO_COST and `joined` and `touched` all 0, before and after. */
typedef struct {
    uint64_t *joined;  /* [BLOCK, words] */
    int32_t *cost;     /* [BLOCK] */
    uint64_t *touched; /* [BLOCK / 64] bits */
    uint64_t *there;   /* [2, BLOCK / 64] bits */
} Room;

typedef struct {
    int64_t found;            /* how many exchanges, -1 if there are too many ways */
    int32_t *exchange, *cost; /* [exchanges] those found, in order */
    int64_t *values;          /* [words * 64] */
    int64_t *by_corner;       /* [fights, 2] */
    int64_t *rounds;          /* [most rounds + 1] */
} Answer;

/* Columns as Columns has them; `kinds` and `settings` are how many there are. */
typedef struct {
    int64_t kinds, settings;
    const int32_t *technique_of; /* [kinds] */
    const uint8_t *corner_of;    /* [kinds] */
    const uint16_t *kind, *setting;
    const int32_t *since;
    const int16_t *next_own, *next_other, *answers;
    const uint32_t *ahead_own, *ahead_other;
} Raw;

typedef struct {
    const Archive *archive;
    const Query *query;
    const Room *room;
    int64_t block, base; /* the first of its exchanges */
    int64_t exchange, begin, end;
    int64_t patience; /* how many more actions may be gone on from before it is given up */
    int64_t chain[MOST_STEPS];
    int32_t *listed; /* [limit, steps] or NULL: matches as they are found */
    int64_t limit, count;
} Run;

/* --- one action ---------------------------------------------------------------------------------------- */

static inline int judge(const Run *run, const Part *part, int64_t parts, const Action *action) {
    int best = NO;
    for (int64_t i = 0; i < parts; i++) {
        int verdict = part[i].verdict[action->kind];
        if (verdict <= best || (part[i].settings && !part[i].settings[action->setting])) continue;
        if (part[i].corners) {
            int64_t fight = run->archive->fight_of[run->exchange];
            if (action->corner != part[i].corners[fight]) continue;
        }
        best = verdict;
    }
    return best;
}

static inline int fitting_person(const Action *earlier, const Action *later, int same) {
    return same ? earlier->corner == later->corner : (earlier->corner ^ later->corner) == 1;
}

/* Microseconds between, -1 where either time is unknown. */
static int64_t gap_between(const Action *earlier, const Action *later) {
    if (earlier->since < 0 || later->since < 0) return -1;
    return later->since > earlier->since ? (int64_t)later->since - earlier->since : 0;
}

/* Rule 5, for an action taken as a counter. */
static int answers(const Run *run, int64_t row, int64_t punch) {
    int64_t distance = run->archive->action[row].answers;
    return (distance > 0 && row - distance == punch) || !run->query->punch[run->archive->action[punch].kind];
}

/* Rule 6: whether a step that must not happen at this place occurs between two actions. */
static int occurs(const Run *run, const Step *absent, int first, int64_t since, int64_t until) {
    const Action *matched = &run->archive->action[first ? until : since];
    for (int64_t row = since + 1; row < until; row++) {
        const Action *action = &run->archive->action[row];
        int verdict = judge(run, absent->part, absent->parts, action);
        if (verdict == NO || !fitting_person(matched, action, absent->same)) continue;
        if (absent->window >= 0) {
            int64_t gap = first ? gap_between(action, matched) : gap_between(matched, action);
            if (gap > absent->window) continue;
        }
        if (absent->answered >= 0 && verdict == MUST_ANSWER && !answers(run, row, run->chain[absent->answered]))
            continue;
        return 1;
    }
    return 0;
}

static int any_occurs(const Run *run, const Step *step, int first, int64_t since, int64_t until) {
    for (int64_t i = 0; i < step->absents; i++)
        if (occurs(run, &run->query->absent[step->absent + i], first, since, until)) return 1;
    return 0;
}

static inline uint64_t met(const Run *run, const Step *step, const Action *action) {
    uint64_t found = 0;
    for (uint64_t left = step->filters; left; left &= left - 1) {
        int bit = lowest(left);
        if (judge(run, &run->query->filter[bit], 1, action)) found |= (uint64_t)1 << bit;
    }
    return found;
}

static int64_t tick_cost(const Query *query, int64_t ticks) {
    return (ticks < query->most_ticks ? ticks : query->most_ticks) * query->tick_cost;
}

/* --- from action to action ----------------------------------------------------------------------------- */

/* Without a branch: what it would depend on has yet to come from memory. */
static inline void touch(const Room *room, int64_t exchange, int32_t cost) {
    int32_t cheapest = room->cost[exchange];
    room->cost[exchange] = cost < cheapest ? cost : cheapest;
    room->touched[exchange >> 6] |= (uint64_t)1 << (exchange & 63);
}

static void complete(Run *run, int32_t cost) {
    const Query *query = run->query;
    if (run->listed) {
        for (int64_t i = 0; i < query->steps; i++)
            run->listed[run->count * query->steps + i] = (int32_t)(run->chain[i] - run->begin);
        run->count++;
        return;
    }
    for (int64_t w = 0; w < query->words; w++) {
        uint64_t bits = 0;
        for (int64_t i = 0; i < query->steps; i++)
            bits |= query->step[i].bits[run->archive->action[run->chain[i]].kind * query->words + w];
        run->room->joined[(run->exchange - run->base) * query->words + w] |= bits;
    }
    touch(run->room, run->exchange - run->base, cost);
}

/* All matches that continue the chain, whose step i - 1 has just found its action. 0: too many ways. */
static int go_on(Run *run, int64_t i, int32_t cost, uint64_t filters) {
    const Query *query = run->query;
    const Archive *archive = run->archive;
    const Step *step = &query->step[i];
    int64_t before = run->chain[i - 1];
    if (i == query->steps) {
        if (filters == query->filters && !any_occurs(run, step, 0, before, run->end)) complete(run, cost);
        return 1;
    }
    const Action *earlier = &archive->action[before];
    int64_t to_punch = step->same ? earlier->next_own : earlier->next_other;
    int64_t row = before + 1, last = before + (to_punch ? to_punch : earlier->left);
    if (step->only_punches) { /* rule 4 leaves a single choice: the fighter's next punch */
        if (!to_punch) return 1;
        row = last;
    }
    for (; row <= last; row++) {
        const Action *action = &archive->action[row];
        if (!step->verdict[action->kind] || !fitting_person(earlier, action, step->same)) continue;
        if (--run->patience < 0) return 0;
        int verdict = judge(run, step->part, step->parts, action);
        int64_t gap = gap_between(earlier, action);
        if (verdict == NO || gap > step->window) continue;
        if (step->answered >= 0 && verdict == MUST_ANSWER && !answers(run, row, run->chain[step->answered])) continue;
        run->chain[i] = row;
        if (any_occurs(run, step, 0, before, row)) continue;
        int64_t ticks = (gap < 0 ? step->window : gap) / TICK;
        int32_t dearer = cost + step->cost[action->kind] + (int32_t)tick_cost(query, ticks);
        if (!go_on(run, i + 1, dearer, filters | met(run, step, action))) return 0;
        if (run->listed && run->count == run->limit) return 1;
    }
    return 1;
}

/* All matches that begin with this action, if it suits the first step. 0: too many ways. */
static int begin_with(Run *run, int64_t row) {
    const Query *query = run->query;
    const Step *step = query->step;
    const Action *action = &run->archive->action[row];
    if (!judge(run, step->part, step->parts, action)) return 1;
    if (query->begins && !query->begins[action->kind]) return 1;
    if (query->beginner && action->corner != query->beginner[run->archive->fight_of[run->exchange]]) return 1;
    if (any_occurs(run, step, 1, run->begin - 1, row)) return 1;
    run->chain[0] = row;
    return go_on(run, 1, step->cost[action->kind], met(run, step, action));
}

static void enter(Run *run, int64_t exchange) {
    run->exchange = exchange;
    run->begin = run->archive->first_action[exchange];
    run->end = run->archive->first_action[exchange + 1];
}

/* --- over the postings --------------------------------------------------------------------------------- */

/* The longest gap, as a code, within a step's window; `exact`: all that are no longer are within it. */
static int longest_gap(const Step *step, int *exact) {
    int64_t ticks = step->window / TICK;
    *exact = step->window % TICK == 0 && 2 * ticks + 1 < LONG;
    return 2 * ticks + 2 < LONG ? (int)(2 * ticks + 2 - *exact) : LONG;
}

/* Keeps those of `chosen` for which the condition, of j, holds. No branches: which way they go could not be
   foretold. */
#define KEEP(condition)                           \
    do {                                          \
        int64_t kept = 0;                         \
        for (int64_t i = 0; i < count; i++) {     \
            const int64_t j = chosen[i];          \
            chosen[kept] = (int32_t)j;            \
            kept += (condition);                  \
        }                                         \
        count = kept;                             \
    } while (0)

/* The postings from `first` to before `end` whose kinds suit a step, unless `all` do, and after which a next
   step, if there is one, is possible: its next punch, or what lies ahead. */
static int64_t choose(const Archive *archive, const Step *step, int64_t all, const Step *next, int longest,
                      int64_t first, int64_t end, int32_t *chosen) {
    const uint8_t *verdict = step->verdict, *settings = step->parts == 1 ? step->part[0].settings : 0;
    const uint16_t *kind = archive->kind;
    const uint8_t *setting = archive->setting;
    int64_t count = end - first;
    if (next && next->only_punches) {
        const Next *punch = archive->next[next->same];
        const uint8_t *then = next->verdict;
        count = 0;
        for (int64_t j = first; j < end; j++) {
            chosen[count] = (int32_t)j;
            count += ((punch[j].gap & NEVER) <= longest) & (then[punch[j].kind] != NO);
        }
    } else if (next) {
        const uint32_t *ahead = archive->ahead[next->same], bits = next->ahead_bits;
        count = 0;
        for (int64_t j = first; j < end; j++) {
            chosen[count] = (int32_t)j;
            count += (ahead[j] & bits) != 0;
        }
    } else if (!all) {
        count = 0;
        for (int64_t j = first; j < end; j++) {
            chosen[count] = (int32_t)j;
            count += verdict[kind[j]] != NO;
        }
        all = 1;
    } else if (settings) {
        count = 0;
        for (int64_t j = first; j < end; j++) {
            chosen[count] = (int32_t)j;
            count += settings[setting[j]] != 0;
        }
        settings = 0;
    } else {
        for (int64_t i = 0; i < count; i++) chosen[i] = (int32_t)(first + i);
    }
    if (!all) KEEP(verdict[kind[j]] != NO);
    if (settings) KEEP(settings[setting[j]] != 0);
    return count;
}

/* The postings of a step's slice in a block. */
static int64_t begin_of(const Run *run, const Step *step, int64_t slice, int64_t block) {
    int64_t blocks = (run->archive->exchanges + BLOCK - 1) / BLOCK;
    return run->archive->begins[step->chosen[2 * slice] * (blocks + 1) + block];
}

/* Marks the block's exchanges in which a step can happen, followed by the next one, if there is one. */
static void mark(const Run *run, const Step *step, const Step *next, uint64_t *there) {
    const Archive *archive = run->archive;
    int exact, longest = next ? longest_gap(next, &exact) : 0;
    int32_t chosen[SOME];
    for (int64_t s = 0; s < step->slices; s++) {
        int64_t end = begin_of(run, step, s, run->block + 1);
        for (int64_t first = begin_of(run, step, s, run->block); first < end; first += SOME) {
            int64_t until = end - first < SOME ? end : first + SOME;
            int64_t count = choose(archive, step, step->chosen[2 * s + 1], next, longest, first, until, chosen);
            for (int64_t i = 0; i < count; i++) {
                const int64_t place = archive->exchange[chosen[i]] - run->base;
                there[place >> 6] |= (uint64_t)1 << (place & 63);
            }
        }
    }
}

/* The block's exchanges worth a look, as bits; NULL: all. */
static const uint64_t *where_possible(const Run *run) {
    enum { WORDS = BLOCK / 64 };
    const Query *query = run->query;
    uint64_t *there = 0;
    for (int64_t i = 1; i < query->steps; i++) {
        if (!(query->rare >> i & 1) && i != query->pair) continue;
        uint64_t *here = there ? run->room->there + WORDS : run->room->there;
        memset(here, 0, WORDS * sizeof *here);
        const Step *step = &query->step[i];
        if (i == query->pair)
            mark(run, step - 1, step, here);
        else
            mark(run, step, 0, here);
        for (int64_t w = 0; there && w < WORDS; w++) there[w] &= here[w];
        if (!there) there = here;
    }
    return there;
}

/* What the first two steps cost together, where the second is the next punch; -1 if it answers something else
   (rule 5). */
static int32_t cost_of_pair(const Query *query, int64_t kind, const Next *next) {
    const Step *second = query->step + 1;
    const int gap = next->gap & NEVER;
    if (second->answered == 0 && second->verdict[next->kind] == MUST_ANSWER && !(next->gap & ANSWERS) &&
        query->punch[kind])
        return -1;
    return query->step[0].cost[kind] + second->cost[next->kind] +
           (int32_t)tick_cost(query, gap == UNKNOWN ? second->window / TICK : (gap - 1) >> 1);
}

/* Matches of one plain step, or of two of which the second is a punch: the postings tell all of it. */
static void count_plain(const Run *run, const int32_t *chosen, int64_t count) {
    const Archive *archive = run->archive;
    const Query *query = run->query;
    const Step *first = query->step, *second = query->step + 1;
    const Next *next = archive->next[second->same];
    const int64_t words = query->words, pairs = query->steps > 1;
    const Room into = *run->room;
    for (int64_t i = 0; i < count; i++) {
        const int64_t j = chosen[i], place = archive->exchange[j] - run->base, kind = archive->kind[j];
        const int32_t cost = pairs ? cost_of_pair(query, kind, &next[j]) : first->cost[kind];
        if (cost < 0) continue;
        for (int64_t w = 0; w < words; w++) {
            uint64_t bits = first->bits[kind * words + w];
            if (pairs) bits |= second->bits[next[j].kind * words + w];
            into.joined[place * words + w] |= bits;
        }
        touch(&into, place, cost);
    }
}

/* Actions on their way from memory. */
typedef struct {
    int64_t exchange, row;
    int32_t cost; /* of the pair that it begins, or -1: nothing is known of it */
} Waiting;

/* Matches that begin with the actions waiting, all but the last `keep`; these move to the front.
   0: too many ways. */
static int match_waiting(Run *run, Waiting *waiting, int64_t *held, int64_t keep) {
    for (int64_t i = 0; i < *held - keep; i++) {
        const int64_t row = waiting[i].row;
        if (waiting[i].exchange != run->exchange) enter(run, waiting[i].exchange);
        if (waiting[i].cost < 0) {
            if (!begin_with(run, row)) return 0;
            continue;
        }
        const Action *action = &run->archive->action[row];
        run->chain[0] = row;
        run->chain[1] = row + (run->query->step[1].same ? action->next_own : action->next_other);
        if (!go_on(run, 2, waiting[i].cost, 0)) return 0;
    }
    if (*held > keep) {
        memmove(waiting, waiting + (*held - keep), (size_t)keep * sizeof *waiting);
        *held = keep;
    }
    return 1;
}

/* Every match that one of the block's postings may begin. 0: too many ways. */
static int match_postings(Run *run) {
    const Archive *archive = run->archive;
    const Query *query = run->query;
    const Step *step = query->step;
    const Next *next = archive->next[step[1].same];
    const uint64_t *there = where_possible(run);
    Waiting waiting[SOME + AHEAD];
    int64_t held = 0;
    int32_t chosen[SOME];
    const Step *then = query->steps > 1 ? &step[1] : 0;
    int exact = 0, longest = then ? longest_gap(then, &exact) : 0;
    /* Whether the postings tell all about the first step and, if there is one, the second. */
    const int pairs = query->plain && exact && then->only_punches, plain = query->plain && !then;
    run->exchange = -1;
    for (int64_t s = 0; s < step->slices; s++) {
        int64_t end = begin_of(run, step, s, run->block + 1);
        for (int64_t first = begin_of(run, step, s, run->block); first < end; first += SOME) {
            int64_t until = end - first < SOME ? end : first + SOME;
            int64_t count = choose(archive, step, step->chosen[2 * s + 1], then, longest, first, until, chosen);
            if (query->allowed) KEEP(query->allowed[archive->exchange[j]] != 0);
            if (there) KEEP(there[(archive->exchange[j] - run->base) >> 6] >> ((archive->exchange[j] - run->base) & 63) & 1);
            if (plain || (pairs && query->steps == 2)) {
                count_plain(run, chosen, count);
                continue;
            }
            for (int64_t i = 0; i < count; i++) {
                const int64_t j = chosen[i], exchange = archive->exchange[j];
                const int64_t row = archive->first_action[exchange] + archive->position[j];
                const int32_t cost = pairs ? cost_of_pair(query, archive->kind[j], &next[j]) : -1;
                PREFETCH(&archive->action[row]);
                PREFETCH((const char *)&archive->action[row] + 64);
                waiting[held] = (Waiting){exchange, row, cost};
                held += !pairs || cost >= 0;
            }
            if (!match_waiting(run, waiting, &held, AHEAD)) return 0;
        }
        if (!match_waiting(run, waiting, &held, 0)) return 0;
    }
    return 1;
}

/* Every match in those of the block's exchanges that are allowed. 0: too many ways. */
static int match_allowed(Run *run) {
    int64_t end = run->base + BLOCK < run->archive->exchanges ? run->base + BLOCK : run->archive->exchanges;
    for (int64_t exchange = run->base; exchange < end; exchange++) {
        if (!run->query->allowed[exchange]) continue;
        enter(run, exchange);
        for (int64_t row = run->begin; row < run->end; row++)
            if (!begin_with(run, row)) return 0;
    }
    return 1;
}

/* --- the answer ---------------------------------------------------------------------------------------- */

/* How many of at most 255 words have each bit set: eight bytes side by side count eight bits. */
static void count_bits(const uint64_t *words, int64_t count, int64_t *into) {
    uint64_t sums[8] = {0};
    for (int64_t i = 0; i < count; i++)
        for (int b = 0; b < 8; b++) sums[b] += (words[i] >> b) & UINT64_C(0x0101010101010101);
    for (int b = 0; b < 64; b++) into[b] += (int64_t)((sums[b & 7] >> (b & 56)) & 255);
}

/* Adds what was found in the block, after the `found` so far; leaves the room as it was. How many are found. */
static int64_t read_off(const Run *run, int64_t found, Answer *answer) {
    const Archive *archive = run->archive;
    const Room *room = run->room;
    const int64_t words = run->query->words, *corner_bit = run->query->corner_bit;
    int64_t before = found, fight = 0;
    for (int64_t w = 0; w < BLOCK / 64; w++) {
        for (uint64_t word = room->touched[w]; word; word &= word - 1) {
            int64_t place = w * 64 + lowest(word);
            answer->exchange[found] = (int32_t)(run->base + place);
            answer->cost[found++] = room->cost[place];
            room->cost[place] = NO_COST;
        }
        room->touched[w] = 0;
    }
    for (int64_t i = before; i < found; i++) answer->rounds[archive->round[answer->exchange[i]]]++;
    if (found > before) fight = archive->fight_of[answer->exchange[before]];
    for (int64_t w = 0; w < words; w++) {
        uint64_t red = corner_bit[0] >> 6 == w ? (uint64_t)1 << (corner_bit[0] & 63) : 0;
        uint64_t blue = corner_bit[1] >> 6 == w ? (uint64_t)1 << (corner_bit[1] & 63) : 0;
        int64_t here = fight, reds = 0, blues = 0;
        for (int64_t first = before; first < found; first += SOME) {
            uint64_t held[SOME];
            int64_t some = found - first < SOME ? found - first : SOME;
            for (int64_t i = 0; i < some; i++) {
                const int64_t exchange = answer->exchange[first + i];
                uint64_t *joined = &room->joined[(exchange - run->base) * words + w];
                held[i] = *joined;
                *joined = 0;
                if (exchange >= archive->first_exchange[here + 1]) {
                    answer->by_corner[2 * here] += reds;
                    answer->by_corner[2 * here + 1] += blues;
                    reds = blues = 0;
                    here = archive->fight_of[exchange];
                }
                reds += (held[i] & red) != 0;
                blues += (held[i] & blue) != 0;
            }
            count_bits(held, some, answer->values + 64 * w);
        }
        answer->by_corner[2 * here] += reds;
        answer->by_corner[2 * here + 1] += blues;
    }
    return found;
}

/* --- what kernel.py calls ------------------------------------------------------------------------------ */

static Next next_of(const Action *action, int64_t row, int distance) {
    if (!distance) return (Next){0, NEVER};
    int64_t gap = gap_between(&action[row], &action[row + distance]), code = UNKNOWN;
    if (gap >= 0) {
        code = gap / TICK < LONG / 2 ? 2 * (gap / TICK) + 1 + (gap % TICK != 0) : LONG;
        if (code > LONG) code = LONG;
    }
    if (action[row + distance].answers == distance) code |= ANSWERS;
    return (Next){action[row + distance].kind, (uint16_t)code};
}

/* Fills the archive's actions and postings; `technique_of` and `corner_of` [kinds]. -1 if some number doesn't
   fit, or points outside the exchange or the tables. */
PUBLIC int pack(Archive *archive, const Raw *raw) {
    const uint16_t *kind = raw->kind, *setting = raw->setting;
    const int16_t *next_own = raw->next_own, *next_other = raw->next_other, *answered = raw->answers;
    const int32_t *technique_of = raw->technique_of;
    int64_t blocks = (archive->exchanges + BLOCK - 1) / BLOCK, *begins = archive->begins;
    memset(begins, 0, (size_t)(archive->techniques * (blocks + 1)) * sizeof *begins);
    for (int64_t e = 0; e < archive->exchanges; e++) {
        int64_t begin = archive->first_action[e], end = archive->first_action[e + 1];
        if (begin < 0 || end < begin || end > archive->actions || end - begin > FULL) return -1;
        for (int64_t row = begin; row < end; row++) {
            int64_t left = end - row - 1;
            if (kind[row] >= raw->kinds || setting[row] >= raw->settings || setting[row] > FULL) return -1;
            if (next_own[row] < 0 || next_own[row] > left || next_other[row] < 0 || next_other[row] > left) return -1;
            if (answered[row] < 0 || answered[row] > row - begin) return -1;
            archive->action[row] = (Action){
                raw->since[row], kind[row], (uint8_t)setting[row], (uint8_t)next_own[row], (uint8_t)next_other[row],
                (uint8_t)answered[row], (uint8_t)left, raw->corner_of[kind[row]],
            };
            if (technique_of[kind[row]] < 0 || technique_of[kind[row]] >= archive->techniques) return -1;
            begins[technique_of[kind[row]] * (blocks + 1) + e / BLOCK]++;
        }
    }
    int64_t before = 0;
    for (int64_t i = 0; i < archive->techniques * (blocks + 1); i++) {
        int64_t count = begins[i]; /* none in the last place of each technique */
        begins[i] = before;
        before += count;
    }
    for (int64_t e = 0; e < archive->exchanges; e++)
        for (int64_t row = archive->first_action[e]; row < archive->first_action[e + 1]; row++) {
            int64_t j = begins[technique_of[kind[row]] * (blocks + 1) + e / BLOCK]++;
            archive->exchange[j] = (int32_t)e;
            archive->position[j] = (uint8_t)(row - archive->first_action[e]);
            archive->kind[j] = kind[row];
            archive->setting[j] = (uint8_t)setting[row];
            archive->next[0][j] = next_of(archive->action, row, next_other[row]);
            archive->next[1][j] = next_of(archive->action, row, next_own[row]);
            archive->ahead[0][j] = raw->ahead_other[row];
            archive->ahead[1][j] = raw->ahead_own[row];
        }
    /* Each place now says where its block ends, which is where the next one begins. */
    for (int64_t i = archive->techniques * (blocks + 1) - 1; i > 0; i--) begins[i] = begins[i - 1];
    if (archive->techniques) begins[0] = 0;
    return 0;
}

/* One thread's share. */
typedef struct {
    const Archive *archive;
    const Query *query;
    const Room *room;
    Answer *answer;
    int64_t first, last; /* blocks, to before the last */
} Share;

static void *find_share(void *given) {
    const Share *share = given;
    Run run = {.archive = share->archive, .query = share->query, .room = share->room, .block = share->first,
               .base = share->first * BLOCK, .patience = 4 * share->archive->actions + PATIENCE};
    int64_t found = 0;
    int fine = 1;
    for (; fine && run.block < share->last; run.block++, run.base += BLOCK) {
        fine = share->query->few ? match_allowed(&run) : match_postings(&run);
        found = read_off(&run, found, share->answer);
    }
    share->answer->found = fine ? found : -1;
    return 0;
}

/* Finds every exchange that has a match: the first part of the archive into the first answer, and so on, each by
   a thread of its own. No exchange is in two answers. */
PUBLIC void find(const Archive *archive, const Query *query, int64_t threads, const Room *rooms, Answer *answers) {
    Share shares[MOST_THREADS];
    int64_t blocks = (archive->exchanges + BLOCK - 1) / BLOCK;
    for (int64_t i = 0; i < threads; i++)
        shares[i] = (Share){archive, query, &rooms[i], &answers[i], blocks * i / threads, blocks * (i + 1) / threads};
#ifdef THREADS
    pthread_t thread[MOST_THREADS];
    int begun[MOST_THREADS] = {0};
    for (int64_t i = 1; i < threads; i++) begun[i] = !pthread_create(&thread[i], 0, find_share, &shares[i]);
    find_share(&shares[0]);
    for (int64_t i = 1; i < threads; i++)
        if (begun[i])
            pthread_join(thread[i], 0);
        else
            find_share(&shares[i]);
#else
    for (int64_t i = 0; i < threads; i++) find_share(&shares[i]);
#endif
}

/* The first matches of one exchange, at most `limit`, ascending, as places in it; how many there are.
   -1: too many ways. */
PUBLIC int64_t list(const Archive *archive, const Query *query, int64_t exchange, int64_t limit, int32_t *listed) {
    Run run = {.archive = archive, .query = query, .listed = listed, .limit = limit, .patience = PATIENCE};
    enter(&run, exchange);
    for (int64_t row = run.begin; row < run.end && run.count < limit; row++)
        if (!begin_with(&run, row)) return -1;
    return run.count;
}

/* --- what Python has to agree on ------------------------------------------------------------------------ */

typedef struct {
    const char *name;
    int64_t at, size; /* bytes; of a constant its value, and 0 */
} Fact;

#define FIELD(type, field) {#type "." #field, offsetof(type, field), sizeof(((type *)0)->field)}
#define FIELD_AT(type, name, field, place) \
    {#type "." #name, offsetof(type, field) + (place) * sizeof(((type *)0)->field[0]), sizeof(((type *)0)->field[0])}
#define SIZE(type) {"size of " #type, sizeof(type), 0}
#define VALUE(name) {#name, name, 0}

/* Every field, size and number that kernel.py has, too. It compares them all before it calls anything here. */
PUBLIC const Fact *facts(void) {
    static const Fact all[] = {
        FIELD(Archive, actions), FIELD(Archive, exchanges), FIELD(Archive, fights), FIELD(Archive, techniques),
        FIELD(Archive, action), FIELD(Archive, first_action), FIELD(Archive, first_exchange),
        FIELD(Archive, fight_of), FIELD(Archive, round), FIELD(Archive, begins), FIELD(Archive, exchange),
        FIELD(Archive, position), FIELD(Archive, kind), FIELD(Archive, setting),
        FIELD_AT(Archive, next_other, next, 0), FIELD_AT(Archive, next_own, next, 1),
        FIELD_AT(Archive, ahead_other, ahead, 0), FIELD_AT(Archive, ahead_own, ahead, 1), SIZE(Archive),
        FIELD(Part, verdict), FIELD(Part, settings), FIELD(Part, corners), SIZE(Part),
        FIELD(Step, part), FIELD(Step, parts), FIELD(Step, verdict), FIELD(Step, cost), FIELD(Step, bits),
        FIELD(Step, window), FIELD(Step, same), FIELD(Step, only_punches), FIELD(Step, answered),
        FIELD(Step, absents), FIELD(Step, absent), FIELD(Step, filters), FIELD(Step, chosen), FIELD(Step, slices),
        FIELD(Step, ahead_bits), SIZE(Step),
        FIELD(Query, steps), FIELD(Query, step), FIELD(Query, absent), FIELD(Query, filter), FIELD(Query, filters),
        FIELD(Query, most_ticks), FIELD(Query, tick_cost), FIELD(Query, punch), FIELD(Query, allowed),
        FIELD(Query, begins), FIELD(Query, beginner), FIELD(Query, rare), FIELD(Query, pair), FIELD(Query, few),
        FIELD(Query, plain), FIELD(Query, words), FIELD(Query, corner_bit), SIZE(Query),
        FIELD(Room, joined), FIELD(Room, cost), FIELD(Room, touched), FIELD(Room, there), SIZE(Room),
        FIELD(Answer, found), FIELD(Answer, exchange), FIELD(Answer, cost), FIELD(Answer, values),
        FIELD(Answer, by_corner), FIELD(Answer, rounds), SIZE(Answer),
        FIELD(Raw, kinds), FIELD(Raw, settings), FIELD(Raw, technique_of), FIELD(Raw, corner_of), FIELD(Raw, kind),
        FIELD(Raw, setting), FIELD(Raw, since), FIELD(Raw, next_own), FIELD(Raw, next_other), FIELD(Raw, answers),
        FIELD(Raw, ahead_own), FIELD(Raw, ahead_other), SIZE(Raw),
        VALUE(MUST_ANSWER), VALUE(MOST_STEPS), VALUE(MOST_THREADS), VALUE(FULL), VALUE(BLOCK), VALUE(TICK), VALUE(NO_COST),
        SIZE(Action), SIZE(Next),
        {0, 0, 0},
    };
    return all;
}

/* Python's own way of loading modules is not used, but some linkers insist on its name. */
PUBLIC void *PyInit__kernel(void) { return 0; }
