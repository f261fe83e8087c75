/* Film flow on one mesh for many coats at once, one coat per SIMD lane.
 *
 * The meaning is that of reference.py, line for line; the film and all sums are double, the fluxes
 * float. Every inner loop runs over the lanes with a constant count, so that the compiler turns it
 * into vector code of whatever width the machine has. */

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#ifndef L
#define L 16 /* lanes */
#endif
#define EACH for (int l = 0; l < L; l++)
#define VECTOR _Pragma("omp simd")
typedef float Lanes __attribute__((vector_size(4 * L)));

typedef struct {
    int64_t cells, edges, rims;
    const int32_t *edge;       /* (e, 2) */
    const int32_t *behind;     /* (e, 4): behind the first vertex, behind the second */
    const float *edge_data;    /* (e, EDGE_FLOATS) */
    const int64_t *start;      /* (n+1) rows of the next three */
    const int32_t *neighbour;  /* (2e) */
    const int32_t *edge_of;    /* (2e) edge, or ~edge where the cell is its second vertex */
    const float *lap;          /* (2e) weight / area */
    const float *cell_data;    /* (n, CELL_FLOATS) */
    const double *area;        /* (n) */
    const int32_t *rim;        /* (r) */
    const int32_t *rim_of;     /* (n) index into rim, or -1 */
    const float *rim_out;      /* (r, RIM_FLOATS) */
} Mesh;

enum { W, LENGTH, EX, EY, EZ, NX, NY, NZ, A0, A1, B0, B1, LIMIT_I, LIMIT_J, AREA_I, AREA_J, EDGE_FLOATS };
enum { KAPPA, DIFF, DIFF2, CX, CY, CZ, XX, YY, ZZ, XY, XZ, YZ, CELL_FLOATS };
enum { OX, OY, OZ, OLIMIT, RIM_FLOATS };
enum { T, PHI, DPHI, PSI, DPSI, DDPHI, DDPSI, KNOT };

typedef struct {
    int64_t knots, table;
    const double *knot;        /* (knots, KNOT) */
    const double *time;        /* (table) */
    const double *fluidity;    /* (table) rho g / (3 mu) */
    const double *remaining;   /* (table) */
    double capillary2;         /* sigma / (rho g) */
    double cap;                /* mobility cap, m */
    const double *start_film;  /* (n) */
    double *film;              /* (n), out */
    double spilt, end_s;       /* out */
    int64_t steps;             /* out */
    int64_t status;            /* out: 0 set, 1 too many steps, 2 not finite */
} Job;

typedef struct {
    double turn_steps, cfl, path_tol, gravity, max_steps;
    int64_t open, stabilised;
    const volatile int32_t *halt; /* somebody else sets it: leave everything and return */
} Rules;

static const double TWO_PI = 6.283185307179586;
static const double STEP_SCALE = 16.0;
/* SSPRK(4,2) keeps |R| <= 1 on the real axis down to -6; a tenth is kept in hand. */
enum { PLAIN_STAGES = 4 };
static const double REAL_AXIS = 5.4;

/* Runge-Kutta-Chebyshev of second order (Sommeijer, Shampine and Verwer 1998, J. Comput. Appl.
 * Math. 88:315, eqs. 2.1 to 2.3): n stages hold a levelling that grows as n^2. The damping is far
 * above their 2/13, so that upwind flow is held too. */
enum { LEAST_STAGES = 4, MOST_STAGES = 16, STAGES };
static const double DAMPING = 4.0, IN_HAND = 0.9;
/* Of stages.py, with their reasons. */
static const double FLOW_ALONE = 0.9, FLOW_PER_ROOT = 0.5, HELPED = 0.25, TURN_PART = 2.0 / 3.0;

typedef struct {
    double mu[STAGES], nu[STAGES], step[STAGES], first[STAGES], at[STAGES];
    double per_step;   /* an Euler step within, per step of the whole */
    double level;      /* levelling, times the step, that is held */
    double flow, flow_alone; /* outflow, in steps of SSPRK(4,2), that is held; without levelling */
    double turn;       /* of the longest step that the turning allows */
} Method;

static void plain_method(Method *m)
{
    for (int j = 1; j <= PLAIN_STAGES; j++) {
        m->mu[j] = j == PLAIN_STAGES ? 0.75 : 1.0;
        m->step[j] = j == PLAIN_STAGES ? 0.25 : 1.0 / 3.0;
        m->nu[j] = m->first[j] = 0.0;
        m->at[j] = j / 3.0;
    }
    m->per_step = 3.0;
    m->level = REAL_AXIS;
    m->flow = m->flow_alone = m->turn = 1.0;
}

static void methods(Method *all)
{
    plain_method(all + PLAIN_STAGES);
    for (int n = PLAIN_STAGES + 1; n <= MOST_STAGES; n++) {
        Method *m = all + n;
        double w = 1.0 + DAMPING / (n * n);
        double t[STAGES] = {1.0, w}, d[STAGES] = {0.0, 1.0}, dd[STAGES] = {0.0, 0.0}, b[STAGES];
        for (int j = 2; j <= n; j++) {
            t[j] = 2.0 * w * t[j - 1] - t[j - 2];
            d[j] = 2.0 * t[j - 1] + 2.0 * w * d[j - 1] - d[j - 2];
            dd[j] = 4.0 * d[j - 1] + 2.0 * w * dd[j - 1] - dd[j - 2];
            b[j] = dd[j] / (d[j] * d[j]);
        }
        b[0] = b[1] = b[2];
        double w1 = d[n] / dd[n];
        m->mu[1] = 1.0, m->nu[1] = 0.0, m->step[1] = b[1] * w1, m->first[1] = 0.0;
        m->at[0] = 0.0;
        for (int j = 2; j <= n; j++) {
            m->mu[j] = 2.0 * w * b[j] / b[j - 1];
            m->nu[j] = -b[j] / b[j - 2];
            m->step[j] = 2.0 * w1 * b[j] / b[j - 1];
            m->first[j] = -(1.0 - b[j - 1] * t[j - 1]) * m->step[j];
            m->at[j] = w1 * dd[j] / d[j];
        }
        m->at[1] = m->at[2] / d[2];
        m->per_step = w / w1;
        m->level = IN_HAND * (w + 1.0) / w1;
        m->flow = FLOW_PER_ROOT * sqrt((double)n);
        m->flow_alone = FLOW_ALONE;
        m->turn = TURN_PART;
    }
}

static double between(const double *time, const double *value, int64_t n, int64_t *at, double t)
{
    while (*at + 2 < n && time[*at + 1] <= t) ++*at;
    double s = (t - time[*at]) / (time[*at + 1] - time[*at]);
    if (s > 1.0) return 0.0;
    if (s < 0.0) s = 0.0;
    return value[*at] * pow(value[*at + 1] / value[*at], s);
}

static double left(const Job *j, int64_t at, double t)
{
    double f0 = between(j->time, j->fluidity, j->table, &at, t);
    if (f0 == 0.0) return 0.0;
    double f1 = j->fluidity[at + 1], step = log(f1 / f0), dt = j->time[at + 1] - t;
    double mean = fabs(step) < 1e-9 ? f0 : (f1 - f0) / step;
    return mean * dt + j->remaining[at + 1];
}

/* One lane's clockwork. */
typedef struct {
    Job *job;
    double t, dt, rate_flow;
    int64_t steps, knot, entry;
    int stages, stage; /* of this step: in all, and done */
} Lane;

typedef struct {
    float g[3][L], q[6][L], k[L], cap[L], cap2[L], per_step[L], capillary2[L];
} Stage;

static void pull(Lane *a, double t, double gravity, Stage *s, int l)
{
    Job *j = a->job;
    while (a->knot + 1 < j->knots && j->knot[(a->knot + 1) * KNOT + T] <= t) a->knot++;
    const double *k = j->knot + a->knot * KNOT;
    double u = t > k[T] ? t - k[T] : 0.0;
    double phi = k[PHI] + (k[DPHI] + 0.5 * k[DDPHI] * u) * u, dphi = k[DPHI] + k[DDPHI] * u;
    double psi = k[PSI] + (k[DPSI] + 0.5 * k[DDPSI] * u) * u, dpsi = k[DPSI] + k[DDPSI] * u;
    double sp = sin(psi), cp = cos(psi);
    s->g[0][l] = (float)(-sin(phi) * sp);
    s->g[1][l] = (float)(-sin(phi) * cp);
    s->g[2][l] = (float)(-cos(phi));
    double w[3] = {dphi * cp, -dphi * sp, dpsi};
    double ww = w[0] * w[0] + w[1] * w[1] + w[2] * w[2];
    for (int c = 0; c < 3; c++) s->q[c][l] = (float)((ww - w[c] * w[c]) / (2.0 * gravity));
    s->q[3][l] = (float)(-w[0] * w[1] / gravity);
    s->q[4][l] = (float)(-w[0] * w[2] / gravity);
    s->q[5][l] = (float)(-w[1] * w[2] / gravity);
    s->k[l] = (float)between(j->time, j->fluidity, j->table, &a->entry, t);
}

/* Centrifugal and capillary potential of every cell, metres. */
static void potentials(const Mesh *m, const Stage *s, const float *restrict h, float *restrict p,
    float *restrict c2)
{
    for (int64_t i = 0; i < m->cells; i++) {
        const float *c = m->cell_data + i * CELL_FLOATS;
        /* A vector by name: in an array the sum would go through memory at every neighbour. */
        const Lanes own = *(const Lanes *)(h + i * L);
        Lanes lap = {0};
        for (int64_t r = m->start[i]; r < m->start[i + 1]; r++)
            lap += m->lap[r] * (*(const Lanes *)(h + (int64_t)m->neighbour[r] * L) - own);
        lap += c[KAPPA];
        VECTOR EACH {
            c2[i * L + l] = s->capillary2[l] * lap[l];
            p[i * L + l] = c[XX] * s->q[0][l] + c[YY] * s->q[1][l] + c[ZZ] * s->q[2][l]
                + c[XY] * s->q[3][l] + c[XZ] * s->q[4][l] + c[YZ] * s->q[5][l];
        }
    }
}

/* Flux over every edge, m3/s, from first to second; optionally the lanes' fastest rate, 1/s. */
static inline __attribute__((always_inline)) void fluxes_(const Mesh *m, const Stage *s,
    const float *restrict h, const float *restrict p, const float *restrict c2,
    float *restrict flux, float *restrict rate)
{
    float fast[L] = {0};
    for (int64_t e = 0; e < m->edges; e++) {
        const float *d = m->edge_data + e * EDGE_FLOATS;
        const float *hi = h + (int64_t)m->edge[2 * e] * L, *hj = h + (int64_t)m->edge[2 * e + 1] * L;
        const float *pi = p + (int64_t)m->edge[2 * e] * L, *pj = p + (int64_t)m->edge[2 * e + 1] * L;
        const float *ci = c2 + (int64_t)m->edge[2 * e] * L, *cj = c2 + (int64_t)m->edge[2 * e + 1] * L;
        const int32_t *b = m->behind + 4 * e;
        const float *i0 = h + (int64_t)b[0] * L, *i1 = h + (int64_t)b[1] * L;
        const float *j0 = h + (int64_t)b[2] * L, *j1 = h + (int64_t)b[3] * L;
        float *f = flux + e * L;
        const float full = d[LENGTH], limit_i = d[LIMIT_I], limit_j = d[LIMIT_J];
        const float of_i = d[AREA_I], of_j = d[AREA_J];
        VECTOR EACH {
            const float vi = hi[l], vj = hj[l], rise = vj - vi;
            const float cap = s->cap[l];
            /* A film that hangs pulls no harder once it is thicker than the cap. */
            const float hang = s->g[0][l] * d[NX] + s->g[1][l] * d[NY] + s->g[2][l] * d[NZ];
            const float capped = (vj < cap ? vj : cap) - (vi < cap ? vi : cap);
            const float lean = hang > 0.0f ? capped : rise;
            float slide = s->g[0][l] * d[EX] + s->g[1][l] * d[EY] + s->g[2][l] * d[EZ]
                + (pj[l] - pi[l]);
            /* Slope and curvature of a film drive no harder than its full weight. */
            float level = hang * lean + (cj[l] - ci[l]);
            level = level < full ? level : full;
            level = level > -full ? level : -full;
            float drive = d[W] * (slide + level);
            float back_i = d[A0] * (vi - i0[l]) + d[A1] * (vi - i1[l]);
            float back_j = d[B0] * (vj - j0[l]) + d[B1] * (vj - j1[l]);
            float up = drive > 0.0f ? vi : vj;
            float back = drive > 0.0f ? back_i : back_j;
            float ahead = drive > 0.0f ? rise : -rise;
            /* Koren's limiter, halved: third order where smooth, no new extremum elsewhere. */
            float a = fabsf(back), c = fabsf(ahead);
            float third = (a + 2.0f * c) * (1.0f / 6.0f);
            float slope = a < c ? a : c;
            slope = slope < third ? slope : third;
            slope = copysignf(slope, ahead);
            slope = back * ahead > 0.0f ? slope : 0.0f;
            float face = up + slope;
            face = face > 0.0f ? face : 0.0f; /* within a step a film may run below zero */
            float moved = face < cap ? face : cap;
            float unit = s->k[l] * moved * moved;
            /* They move no more of a pool than its capped depth. No edge may take more than its
             * share of a cell, so that none runs below zero. */
            float q = unit * d[W] * (face * slide + moved * level);
            float most = (vi > 0.0f ? vi : 0.0f) * s->per_step[l] * limit_i;
            float least = (vj > 0.0f ? -vj : 0.0f) * s->per_step[l] * limit_j;
            q = q < most ? q : most;
            f[l] = q > least ? q : least;
            if (rate) {
                float of = drive > 0.0f ? of_i : of_j;
                float speed = unit * fabsf(drive) * (face < cap ? 3.0f : 1.0f) * of;
                fast[l] = speed > fast[l] ? speed : fast[l];
            }
        }
    }
    if (rate) memcpy(rate, fast, sizeof fast);
}

static void fluxes(const Mesh *m, const Stage *s, const float *h, const float *p,
    const float *c2, float *flux)
{
    fluxes_(m, s, h, p, c2, flux, NULL);
}

static void fluxes_and_rate(const Mesh *m, const Stage *s, const float *h, const float *p,
    const float *c2, float *flux, float *rate)
{
    fluxes_(m, s, h, p, c2, flux, rate);
}

/* What runs over an open rim, m3/s per rim cell. */
static void over_rim(const Mesh *m, const Stage *s, const float *h, float *out)
{
    for (int64_t r = 0; r < m->rims; r++) {
        const float *hi = h + (int64_t)m->rim[r] * L, *o = m->rim_out + r * RIM_FLOATS;
        VECTOR EACH {
            float drive = s->g[0][l] * o[OX] + s->g[1][l] * o[OY] + s->g[2][l] * o[OZ];
            drive = drive > 0.0f ? drive : 0.0f;
            float own = hi[l] > 0.0f ? hi[l] : 0.0f;
            float moved = own < s->cap[l] ? own : s->cap[l];
            float q = s->k[l] * own * moved * moved * drive;
            float most = own * s->per_step[l] * o[OLIMIT];
            out[r * L + l] = q < most ? q : most;
        }
    }
}

typedef struct {
    double *h, *before, *h0, *f0; /* (n, L): film now, a stage ago, and at the step's start */
    float *h32, *p, *c2, *flux, *over;
    double spilt[L], spilt_before[L], spilt0[L], over0[L];
    /* Of the next stage: h = whole h0 + nu before + first f0 + mu (h + step f). */
    double whole[L], mu[L], nu[L], step[L], first[L];
    int64_t begins[L]; /* whether it is the step's first */
} State;

/* One stage of every lane; also the float copy. */
static inline __attribute__((always_inline)) void advance_(const Mesh *m, State *x, int open,
    const int stabilised)
{
    for (int64_t i = 0; i < m->cells; i++) {
        double sum[L];
        VECTOR EACH sum[l] = 0.0;
        for (int64_t r = m->start[i]; r < m->start[i + 1]; r++) {
            int32_t e = m->edge_of[r];
            const float *f = x->flux + (int64_t)(e < 0 ? ~e : e) * L;
            if (e < 0) { VECTOR EACH sum[l] += (double)f[l]; }
            else { VECTOR EACH sum[l] -= (double)f[l]; }
        }
        if (open && m->rim_of[i] >= 0) {
            const float *o = x->over + (int64_t)m->rim_of[i] * L;
            EACH sum[l] -= (double)o[l];
        }
        double *restrict h = x->h + i * L, *restrict before = x->before + i * L;
        double *restrict h0 = x->h0 + i * L, *restrict f0 = x->f0 + i * L;
        float *restrict h32 = x->h32 + i * L;
        const double per = 1.0 / m->area[i];
        if (stabilised) {
            VECTOR EACH {
                double f = per * sum[l];
                double a = x->begins[l] ? h[l] : h0[l], b = x->begins[l] ? f : f0[l];
                double v = x->whole[l] * a + x->nu[l] * before[l] + x->first[l] * b
                    + x->mu[l] * (h[l] + x->step[l] * f);
                h0[l] = a;
                f0[l] = b;
                before[l] = v;
                h32[l] = (float)v;
            }
        } else {
            VECTOR EACH {
                double v = x->whole[l] * h0[l] + x->mu[l] * (h[l] + x->step[l] * per * sum[l]);
                h[l] = v;
                h32[l] = (float)v;
            }
        }
    }
    double over[L] = {0};
    if (open)
        for (int64_t r = 0; r < m->rims; r++) EACH over[l] += (double)x->over[r * L + l];
    EACH {
        if (x->begins[l]) { x->spilt0[l] = x->spilt[l]; x->over0[l] = over[l]; }
        double v = x->whole[l] * x->spilt0[l] + x->nu[l] * x->spilt_before[l]
            + x->first[l] * x->over0[l] + x->mu[l] * (x->spilt[l] + x->step[l] * over[l]);
        x->spilt_before[l] = x->spilt[l];
        x->spilt[l] = v;
    }
}

static void advance(const Mesh *m, State *x, int open) { advance_(m, x, open, 0); }

static void advance_stabilised(const Mesh *m, State *x, int open)
{
    advance_(m, x, open, 1);
    double *new = x->before;
    x->before = x->h;
    x->h = new;
}

/* Fill what a step has left below zero in one lane from the cells beside it; what they do not hold,
 * they owe in turn. Returns whether all is paid. */
static int mend(const Mesh *m, State *x, int l)
{
    double volume = 0.0;
    for (int64_t i = 0; i < m->cells; i++) volume += x->h[i * L + l] * m->area[i];
    const double nothing = 1e-17 * volume; /* far below the rounding of a step */
    for (int64_t rounds = 0; rounds < m->cells; rounds++) {
        int again = 0;
        for (int64_t i = 0; i < m->cells; i++) {
            double *h = x->h + i * L + l, held = 0.0, lacks = -*h * m->area[i];
            const int64_t from = m->start[i], to = m->start[i + 1];
            if (!(lacks > 0.0)) continue;
            if (lacks < nothing) {
                *h = 0.0;
                x->h32[i * L + l] = 0.0f;
                continue;
            }
            for (int64_t r = from; r < to; r++)
                held += fmax(x->h[(int64_t)m->neighbour[r] * L + l], 0.0) * m->area[m->neighbour[r]];
            double share = lacks < held ? lacks / held : 1.0;
            double owed = lacks < held ? 0.0 : (lacks - held) / (double)(to - from);
            for (int64_t r = from; r < to; r++) {
                int64_t j = m->neighbour[r];
                double *beside = x->h + j * L + l;
                *beside -= share * fmax(*beside, 0.0) + owed / m->area[j];
                x->h32[j * L + l] = (float)*beside;
            }
            *h = 0.0;
            x->h32[i * L + l] = 0.0f;
            again = 1;
        }
        if (!again) return 1;
    }
    return 0;
}

/* Thickest film, thinnest where below zero, and fastest levelling rate per unit of fluidity, by lane. */
static void measure(const Mesh *m, const Stage *s, const float *restrict h, float *thick,
    float *thin, float *level)
{
    float most[L] = {0}, least[L] = {0}, fast[L] = {0}, odd[L] = {0};
    for (int64_t i = 0; i < m->cells; i++) {
        const float *c = m->cell_data + i * CELL_FLOATS;
        const float *hi = h + i * L;
        VECTOR EACH {
            float v = hi[l], moved = v < s->cap[l] ? v : s->cap[l];
            float hang = s->g[0][l] * c[CX] + s->g[1][l] * c[CY] + s->g[2][l] * c[CZ];
            float rate = moved * moved * moved * (fabsf(hang) * c[DIFF] + s->capillary2[l] * c[DIFF2]);
            most[l] = v > most[l] ? v : most[l];
            least[l] = v < least[l] ? v : least[l];
            fast[l] = rate > fast[l] ? rate : fast[l];
            odd[l] += v - v; /* not a number once any film is not finite */
        }
    }
    EACH most[l] += odd[l];
    memcpy(thick, most, sizeof most);
    memcpy(thin, least, sizeof least);
    memcpy(level, fast, sizeof fast);
}

/* The longest step that the turning, and the viscosity's table, allow. */
static double longest_step(const Lane *a, const Rules *r)
{
    const double *k = a->job->knot + a->knot * KNOT;
    const double *next = a->knot + 1 < a->job->knots ? k + KNOT : k;
    double spin = fmax(fmax(fabs(k[DPHI]), fabs(next[DPHI])), fmax(fabs(k[DPSI]), fabs(next[DPSI])));
    return spin > 0.0 ? TWO_PI / (spin * r->turn_steps) : 1.0;
}

/* A step of SSPRK(4,2) from a coarse scale, so that rounding does not change it. */
static void plain_step(Lane *a, const Rules *r, double flow, double level)
{
    double dt = longest_step(a, r), rate = hypot(flow, level / REAL_AXIS);
    if (rate * dt > 1.0) {
        int octave;
        double part = frexp(1.0 / rate, &octave);
        dt = ldexp(floor(part * STEP_SCALE) / STEP_SCALE, octave);
    }
    a->dt = fmin(dt, a->job->time[a->job->table - 1] - a->t);
    a->stages = PLAIN_STAGES;
}

/* A rate rounded up to a coarse scale. */
static double coarse(double rate)
{
    int octave;
    double part = frexp(rate, &octave);
    return ldexp(ceil(part * STEP_SCALE) / STEP_SCALE, octave);
}

/* Longest step of a method at these rates, 1/s. */
static double step_of(const Method *m, double longest, double flow, double level)
{
    double rate = hypot(flow / m->flow, level / m->level);
    double dt = rate * longest > 1.0 ? 1.0 / rate : longest;
    double helped = fmin(level * dt / (m->level * HELPED), 1.0);
    rate = hypot(flow / (m->flow_alone + helped * (m->flow - m->flow_alone)), level / m->level);
    return rate * longest > 1.0 ? 1.0 / rate : longest;
}

/* The step that goes furthest for each of its stages. */
static void best_step(Lane *a, const Method *methods, const Rules *r, double flow, double level)
{
    double longest = longest_step(a, r), end = a->job->time[a->job->table - 1] - a->t, best = 0.0;
    flow = coarse(flow), level = coarse(level);
    for (int n = LEAST_STAGES; n <= MOST_STAGES; n++) {
        double dt = step_of(methods + n, fmin(methods[n].turn * longest, end), flow, level);
        if (dt <= best * n) continue;
        best = dt / n;
        a->dt = dt;
        a->stages = n;
    }
}

/* Coefficients of a lane's next stage; without a job it stands still. */
static void stage_of(const Lane *a, const Method *methods, const Rules *r, State *x, Stage *s, int l)
{
    x->begins[l] = 0;
    x->mu[l] = 1.0;
    x->whole[l] = x->nu[l] = x->step[l] = x->first[l] = 0.0;
    if (!a->job) return;
    x->begins[l] = a->stage == 0;
    if (r->stabilised) {
        const Method *m = methods + a->stages;
        int j = a->stage + 1;
        x->mu[l] = m->mu[j];
        x->nu[l] = m->nu[j];
        x->whole[l] = 1.0 - m->mu[j] - m->nu[j];
        x->step[l] = a->dt * m->step[j] / m->mu[j];
        x->first[l] = a->dt * m->first[j];
        s->per_step[l] = (float)(m->per_step / a->dt);
    } else {
        x->whole[l] = a->stage == PLAIN_STAGES - 1 ? 0.25 : 0.0;
        x->mu[l] = 1.0 - x->whole[l];
        x->step[l] = a->dt / 3.0;
        s->per_step[l] = (float)(3.0 / a->dt);
    }
}

/* Time since the start of its step at which a lane's next stage is taken. */
static double within(const Lane *a, const Method *methods, const Rules *r)
{
    if (!a->stage) return 0.0;
    return r->stabilised ? methods[a->stages].at[a->stage] * a->dt : a->stage * a->dt / 3.0;
}

static void *room(size_t bytes) { return aligned_alloc(128, (bytes + 127) / 128 * 128); }

/* Load the next job into a lane, or leave it idle. */
static void load(const Mesh *m, State *x, Lane *a, int l, Job *job)
{
    memset(a, 0, sizeof *a);
    a->job = job;
    x->spilt[l] = x->spilt_before[l] = x->spilt0[l] = x->over0[l] = 0.0;
    for (int64_t i = 0; i < m->cells; i++) {
        double v = job ? job->start_film[i] : 0.0;
        x->h[i * L + l] = x->before[i * L + l] = x->h0[i * L + l] = v;
        x->f0[i * L + l] = 0.0;
        x->h32[i * L + l] = (float)v;
    }
    if (job) a->t = fmax(job->knot[T], job->time[0]);
}

static void finish(const Mesh *m, const State *x, const Lane *a, int l, int status)
{
    Job *j = a->job;
    for (int64_t i = 0; i < m->cells; i++) j->film[i] = x->h[i * L + l];
    j->spilt = x->spilt[l];
    j->end_s = a->t;
    j->steps = a->steps;
    j->status = status;
}

int film_run(const Mesh *m, const Rules *r, Job *jobs, int64_t count)
{
    const size_t doubles = m->cells * L * sizeof(double), floats = m->cells * L * sizeof(float);
    State x = {
        room(doubles), room(doubles), room(doubles), room(doubles),
        room(floats), room(floats), room(floats),
        room(m->edges * L * sizeof(float)), room((m->rims + 1) * L * sizeof(float)),
        {0}, {0}, {0}, {0}, {0}, {0}, {0}, {0}, {0}, {0}};
    int bad = !(x.h && x.before && x.h0 && x.f0 && x.h32 && x.p && x.c2 && x.flux && x.over);
    Method method[STAGES];
    Lane lane[L];
    Stage s;
    methods(method);
    memset(&s, 0, sizeof s);
    int64_t next = 0;
    int busy = 0, fresh = 1;
    if (!bad)
        for (int l = 0; l < L; l++) {
            Job *job = next < count ? jobs + next++ : NULL;
            load(m, &x, &lane[l], l, job);
            busy += job != NULL;
        }
    while (busy && !bad && !*r->halt) {
        float thick[L], thin[L], level[L], rate[L];
        int begins = 0;
        for (int l = 0; l < L; l++) {
            Lane *a = &lane[l];
            s.k[l] = 0.0f;
            s.cap[l] = a->job ? (float)a->job->cap : 1.0f;
            s.capillary2[l] = a->job ? (float)a->job->capillary2 : 0.0f;
            if (!a->job) continue;
            pull(a, a->t + within(a, method, r), r->gravity, &s, l);
            begins |= !a->stage;
        }
        if (begins) measure(m, &s, x.h32, thick, thin, level);
        if (fresh) { /* a lane just loaded has no rate yet */
            EACH s.per_step[l] = 1.0f;
            potentials(m, &s, x.h32, x.p, x.c2);
            fluxes_and_rate(m, &s, x.h32, x.p, x.c2, x.flux, rate);
            EACH if (lane[l].steps == 0 && lane[l].stage == 0) lane[l].rate_flow = rate[l];
            fresh = 0;
        }
        for (int l = 0; l < L; l++) {
            Lane *a = &lane[l];
            if (!a->job || a->stage) continue;
            double deep = fmin(thick[l], a->job->cap);
            int set = a->t >= a->job->time[a->job->table - 1]
                || 3.0 * deep * deep * left(a->job, a->entry, a->t) < r->path_tol;
            int odd = !isfinite(thick[l]) || (r->stabilised && thin[l] < 0.0f && !mend(m, &x, l));
            int status = odd ? 2 : a->steps >= r->max_steps ? 1 : 0;
            if (set || status) {
                finish(m, &x, a, l, status);
                Job *job = next < count ? jobs + next++ : NULL;
                load(m, &x, a, l, job);
                busy -= job == NULL;
                fresh |= job != NULL;
                continue;
            }
            double flow = 2.0 * a->rate_flow / (3.0 * r->cfl), levels = s.k[l] * (double)level[l];
            if (r->stabilised) best_step(a, method, r, flow, levels);
            else plain_step(a, r, flow, levels);
        }
        if (fresh || !busy) continue;
        EACH stage_of(&lane[l], method, r, &x, &s, l);
        if (!r->stabilised && begins) memcpy(x.h0, x.h, doubles); /* they all begin at once */
        potentials(m, &s, x.h32, x.p, x.c2);
        if (begins) {
            fluxes_and_rate(m, &s, x.h32, x.p, x.c2, x.flux, rate);
            EACH if (!lane[l].stage) lane[l].rate_flow = rate[l];
        } else fluxes(m, &s, x.h32, x.p, x.c2, x.flux);
        if (r->open) over_rim(m, &s, x.h32, x.over);
        if (r->stabilised) advance_stabilised(m, &x, (int)r->open);
        else advance(m, &x, (int)r->open);
        EACH {
            Lane *a = &lane[l];
            if (!a->job || ++a->stage < a->stages) continue;
            a->t += a->dt;
            a->stage = 0;
            a->steps++;
        }
    }
    free(x.h); free(x.before); free(x.h0); free(x.f0);
    free(x.h32); free(x.p); free(x.c2); free(x.flux); free(x.over);
    return bad;
}
