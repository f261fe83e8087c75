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
    int64_t open;
    const volatile int32_t *halt; /* somebody else sets it: leave everything and return */
} Rules;

static const double TWO_PI = 6.283185307179586;
/* SSPRK(4,2) keeps |R| <= 1 on the real axis down to -6; a tenth is kept in hand. */
static const double REAL_AXIS = 5.4, STEP_SCALE = 16.0;

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
    double t, dt, rate_flow, rate_level;
    int64_t steps, knot, entry;
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
            float moved = face < cap ? face : cap;
            float unit = s->k[l] * moved * moved;
            /* They move no more of a pool than its capped depth. No edge may take more than its
             * share of a cell, so that none runs below zero. */
            float q = unit * d[W] * (face * slide + moved * level);
            float most = vi * s->per_step[l] * limit_i, least = -vj * s->per_step[l] * limit_j;
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
            float moved = hi[l] < s->cap[l] ? hi[l] : s->cap[l];
            float q = s->k[l] * hi[l] * moved * moved * drive;
            float most = hi[l] * s->per_step[l] * o[OLIMIT];
            out[r * L + l] = q < most ? q : most;
        }
    }
}

typedef struct {
    double *h, *h0;      /* (n, L) */
    float *h32, *p, *c2, *flux, *over;
    double spilt[L], spilt0[L], step[L];
} State;

/* h = keep h0 + (1 - keep)(h + step div(flux)); also the float copy. */
static void advance(const Mesh *m, State *x, double keep, int open)
{
    const double part = 1.0 - keep;
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
        double *h = x->h + i * L, *h0 = x->h0 + i * L;
        float *h32 = x->h32 + i * L;
        const double per = 1.0 / m->area[i];
        VECTOR EACH {
            double v = keep * h0[l] + part * (h[l] + x->step[l] * per * sum[l]);
            h[l] = v;
            h32[l] = (float)v;
        }
    }
    double over[L] = {0};
    if (open)
        for (int64_t r = 0; r < m->rims; r++) EACH over[l] += (double)x->over[r * L + l];
    EACH x->spilt[l] = keep * x->spilt0[l] + part * (x->spilt[l] + x->step[l] * over[l]);
}

/* Thickest film and fastest levelling rate per unit of fluidity, by lane. */
static void measure(const Mesh *m, const Stage *s, const float *restrict h, float *thick,
    float *level)
{
    float most[L] = {0}, fast[L] = {0}, odd[L] = {0};
    for (int64_t i = 0; i < m->cells; i++) {
        const float *c = m->cell_data + i * CELL_FLOATS;
        const float *hi = h + i * L;
        VECTOR EACH {
            float v = hi[l], moved = v < s->cap[l] ? v : s->cap[l];
            float hang = s->g[0][l] * c[CX] + s->g[1][l] * c[CY] + s->g[2][l] * c[CZ];
            float rate = moved * moved * moved * (fabsf(hang) * c[DIFF] + s->capillary2[l] * c[DIFF2]);
            most[l] = v > most[l] ? v : most[l];
            fast[l] = rate > fast[l] ? rate : fast[l];
            odd[l] += v - v; /* not a number once any film is not finite */
        }
    }
    EACH most[l] += odd[l];
    memcpy(thick, most, sizeof most);
    memcpy(level, fast, sizeof fast);
}

static double step_of(const Lane *a, const Rules *r, double fluidity)
{
    const Job *j = a->job;
    const double *k = j->knot + a->knot * KNOT;
    const double *next = a->knot + 1 < j->knots ? k + KNOT : k;
    double spin = fmax(fmax(fabs(k[DPHI]), fabs(next[DPHI])), fmax(fabs(k[DPSI]), fabs(next[DPSI])));
    double dt = spin > 0.0 ? TWO_PI / (spin * r->turn_steps) : 1.0;
    double rate = hypot(2.0 * a->rate_flow / (3.0 * r->cfl), fluidity * a->rate_level / REAL_AXIS);
    if (rate * dt > 1.0) {
        int octave; /* a step from a coarse scale, so that rounding does not change it */
        double part = frexp(1.0 / rate, &octave);
        dt = ldexp(floor(part * STEP_SCALE) / STEP_SCALE, octave);
    }
    double end = j->time[j->table - 1] - a->t;
    return dt < end ? dt : end;
}

static void *room(size_t bytes) { return aligned_alloc(128, (bytes + 127) / 128 * 128); }

/* Load the next job into a lane, or leave it idle. */
static void load(const Mesh *m, State *x, Lane *a, int l, Job *job)
{
    memset(a, 0, sizeof *a);
    a->job = job;
    x->spilt[l] = 0.0;
    for (int64_t i = 0; i < m->cells; i++) {
        double v = job ? job->start_film[i] : 0.0;
        x->h[i * L + l] = v;
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
    State x = {
        room(m->cells * L * sizeof(double)), room(m->cells * L * sizeof(double)),
        room(m->cells * L * sizeof(float)), room(m->cells * L * sizeof(float)),
        room(m->cells * L * sizeof(float)),
        room(m->edges * L * sizeof(float)), room((m->rims + 1) * L * sizeof(float)),
        {0}, {0}, {0}};
    int bad = !(x.h && x.h0 && x.h32 && x.p && x.c2 && x.flux && x.over);
    Lane lane[L];
    Stage s;
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
        float thick[L], level[L], rate[L];
        EACH {
            s.k[l] = 0.0f;
            s.cap[l] = lane[l].job ? (float)lane[l].job->cap : 1.0f;
            s.capillary2[l] = lane[l].job ? (float)lane[l].job->capillary2 : 0.0f;
            s.per_step[l] = 1.0f;
            x.step[l] = 0.0;
            if (lane[l].job) pull(&lane[l], lane[l].t, r->gravity, &s, l);
        }
        measure(m, &s, x.h32, thick, level);
        if (fresh) { /* a lane just loaded has no rate yet */
            potentials(m, &s, x.h32, x.p, x.c2);
            fluxes_and_rate(m, &s, x.h32, x.p, x.c2, x.flux, rate);
            EACH if (lane[l].steps == 0) lane[l].rate_flow = rate[l];
            fresh = 0;
        }
        for (int l = 0; l < L; l++) {
            Lane *a = &lane[l];
            if (!a->job) continue;
            double deep = fmin(thick[l], a->job->cap);
            int set = a->t >= a->job->time[a->job->table - 1]
                || 3.0 * deep * deep * left(a->job, a->entry, a->t) < r->path_tol;
            int status = !isfinite(thick[l]) ? 2
                : a->steps >= r->max_steps ? 1 : 0;
            if (set || status) {
                finish(m, &x, a, l, status);
                Job *job = next < count ? jobs + next++ : NULL;
                load(m, &x, a, l, job);
                busy -= job == NULL;
                fresh |= job != NULL;
                continue;
            }
            a->rate_level = level[l];
            a->dt = step_of(a, r, s.k[l]);
            x.step[l] = a->dt / 3.0;
            s.per_step[l] = (float)(3.0 / a->dt);
        }
        if (fresh || !busy) continue;
        memcpy(x.h0, x.h, m->cells * L * sizeof(double));
        memcpy(x.spilt0, x.spilt, sizeof x.spilt);
        for (int stage = 0; stage < 4; stage++) {
            if (stage)
                EACH if (lane[l].job)
                    pull(&lane[l], lane[l].t + stage * lane[l].dt / 3.0, r->gravity, &s, l);
            potentials(m, &s, x.h32, x.p, x.c2);
            if (stage) fluxes(m, &s, x.h32, x.p, x.c2, x.flux);
            else {
                fluxes_and_rate(m, &s, x.h32, x.p, x.c2, x.flux, rate);
                EACH lane[l].rate_flow = rate[l];
            }
            if (r->open) over_rim(m, &s, x.h32, x.over);
            advance(m, &x, stage == 3 ? 0.25 : 0.0, (int)r->open);
        }
        EACH if (lane[l].job) { lane[l].t += lane[l].dt; lane[l].steps++; }
    }
    free(x.h); free(x.h0); free(x.h32); free(x.p); free(x.c2); free(x.flux); free(x.over);
    return bad;
}
