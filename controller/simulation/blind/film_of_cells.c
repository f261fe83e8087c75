/* The blind world's film: one coat per lane, second-order finite volumes on triangles.
 *
 * What a side of a triangle passes: F = b [ k m^2 (h s + m p) + k c^3 e ], with b the side's length,
 * k = rho g/(3 mu) there, s gravity along the wall, p the weight of the film's own slope, e that of
 * its surface's bend, m and c the depth that moves (capped in a pool). h comes from upstream,
 * reconstructed with van Albada's limiter (van Albada, van Leer and Roberts 1982). Three stages of
 * second order (SSPRK(3,2), Spiteri and Ruuth 2002). Films and sums are double, fluxes float. */

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#ifndef L
#define L 16
#endif
#define EACH for (int l = 0; l < L; l++)
#define VECTOR _Pragma("omp simd")

enum { LEN, TX, TY, TZ, CX, CY, CZ, MX, MY, MZ, NX, NY, NZ, SHARE_I, SHARE_J, FOOT_I, FOOT_J,
    HIGH_I, HIGH_J, APART, SKEW, PER_I, PER_J, MOST_I, MOST_J, BENDS, SIDE };
enum { OX, OY, OZ, OPER, RIM };
enum { TIME, PHI, PSI, TURN };
enum { AT, LOGF, THICK, WARM, FLUID };

typedef struct {
    int64_t cells, vertices, sides, rims;
    const int32_t *side;      /* (sides, 6): cells i, j; vertices 1, 2, facing i, facing j */
    const float *side_data;   /* (sides, SIDE) */
    const int64_t *vstart;    /* (vertices+1) rows of the next two */
    const int32_t *vcell;
    const float *vweight;
    const int64_t *bstart;    /* (vertices+1) rows of the next two */
    const int32_t *bvertex;
    const float *bweight;
    const float *kappa;       /* (vertices) */
    const int64_t *cstart;    /* (cells+1) rows of the next: side, or ~side where the cell is j */
    const int32_t *cside;
    const double *area;       /* (cells) */
    const float *high;        /* (cells) -1 to 1, along the warm direction */
    const int32_t *rim;       /* (rims) cell */
    const float *rim_data;    /* (rims, RIM) */
    double slope_rate, bend_rate; /* fastest of the two operators, 1/m2 and 1/m4 */
} Mesh;

typedef struct {
    int64_t turns, fluids;
    const double *turn;       /* (turns, TURN) s, rad, rad */
    const double *fluid;      /* (fluids, FLUID) s, log of rho g/3 mu, d ln mu/d ln h, d ln mu/dT */
    double down[3];           /* gravity's direction in the room */
    double capillary2, cap, bend_cap, mean, warmer, from_s, until_s;
    double *film;             /* (cells) in and out */
    double spilt;             /* out */
    int64_t steps, status;    /* out; status 0 done, 1 too many steps, 2 not finite */
} Job;

typedef struct { double cfl, real_axis, gravity, local_every, most_steps, lean; int64_t open; } Rules;

typedef struct { double t, dt, fast; int64_t turn, fluid; int busy; } Lane;

typedef struct { float g[3][L], w[3][L], k[L], cap[L], bcap[L], l2[L], per[L]; } Stage;

static double along(const double *row, int64_t n, int stride, int64_t *at, double t, double *share)
{
    while (*at + 2 < n && row[(*at + 1) * stride] <= t) ++*at;
    double a = row[*at * stride], b = row[(*at + 1) * stride];
    double s = b > a ? (t - a) / (b - a) : 0.0;
    *share = s < 0.0 ? 0.0 : s > 1.0 ? 1.0 : s;
    return b - a;
}

static void set_stage(const Job *j, Lane *a, const Rules *r, double t, Stage *s, int l)
{
    double share, span = along(j->turn, j->turns, TURN, &a->turn, t, &share);
    const double *p = j->turn + a->turn * TURN, *q = p + TURN;
    double phi = p[PHI] + share * (q[PHI] - p[PHI]), psi = p[PSI] + share * (q[PSI] - p[PSI]);
    double dphi = 0.0, dpsi = 0.0;
    if (span > 0.0 && share < 1.0) { dphi = (q[PHI] - p[PHI]) / span; dpsi = (q[PSI] - p[PSI]) / span; }
    double cf = cos(phi), sf = sin(phi), cp = cos(psi), sp = sin(psi);
    /* The room's gravity seen from the mould: Rz(-psi) Rx(-phi) down. */
    double y = cf * j->down[1] + sf * j->down[2], z = -sf * j->down[1] + cf * j->down[2];
    s->g[0][l] = (float)(cp * j->down[0] + sp * y);
    s->g[1][l] = (float)(-sp * j->down[0] + cp * y);
    s->g[2][l] = (float)z;
    double root = 1.0 / sqrt(r->gravity);
    s->w[0][l] = (float)(dphi * cp * root);
    s->w[1][l] = (float)(-dphi * sp * root);
    s->w[2][l] = (float)(dpsi * root);
    along(j->fluid, j->fluids, FLUID, &a->fluid, t, &share);
    const double *f = j->fluid + a->fluid * FLUID;
    s->k[l] = (float)exp(f[LOGF] + share * (f[FLUID + LOGF] - f[LOGF]));
}

/* How much more or less fluid a cell is: thick is warm and cures fast, and one end is warmer. */
static void set_local(const Mesh *m, const Job *jobs, const Lane *lane, const double *h, float *local)
{
    float thick[L], warm[L], per[L];
    EACH {
        thick[l] = warm[l] = 0.0f; per[l] = 1.0f;
        if (!lane[l].busy) continue;
        const double *f = jobs[l].fluid + lane[l].fluid * FLUID;
        double a = f[AT], b = f[FLUID + AT], s = b > a ? (lane[l].t - a) / (b - a) : 0.0;
        s = s < 0.0 ? 0.0 : s > 1.0 ? 1.0 : s;
        thick[l] = (float)(f[THICK] + s * (f[FLUID + THICK] - f[THICK]));
        warm[l] = (float)(jobs[l].warmer * (f[WARM] + s * (f[FLUID + WARM] - f[WARM])));
        per[l] = (float)(1.0 / jobs[l].mean);
    }
    for (int64_t i = 0; i < m->cells; i++)
        EACH {
            float x = (float)h[i * L + l] * per[l];
            x = x < 0.4f ? 0.4f : x > 2.5f ? 2.5f : x;
            float e = -thick[l] * logf(x) - warm[l] * m->high[i];
            e = e < -3.0f ? -3.0f : e > 3.0f ? 3.0f : e;
            local[i * L + l] = expf(e);
        }
}

static void to_vertices(const Mesh *m, const float *restrict h, float *restrict v)
{
    for (int64_t i = 0; i < m->vertices; i++) {
        float sum[L];
        VECTOR EACH sum[l] = 0.0f;
        for (int64_t r = m->vstart[i]; r < m->vstart[i + 1]; r++) {
            const float *c = h + (int64_t)m->vcell[r] * L;
            const float w = m->vweight[r];
            VECTOR EACH sum[l] += w * c[l];
        }
        VECTOR EACH v[i * L + l] = sum[l];
    }
}

static void bends(const Mesh *m, const Stage *s, const float *restrict v, float *restrict p)
{
    for (int64_t i = 0; i < m->vertices; i++) {
        float sum[L];
        const float kappa = m->kappa[i];
        VECTOR EACH sum[l] = kappa;
        for (int64_t r = m->bstart[i]; r < m->bstart[i + 1]; r++) {
            const float *c = v + (int64_t)m->bvertex[r] * L;
            const float w = m->bweight[r];
            VECTOR EACH sum[l] += w * c[l];
        }
        VECTOR EACH p[i * L + l] = sum[l] * s->l2[l];
    }
}

static inline float within(float x, float most)
{
    x = x < most ? x : most;
    return x > -most ? x : -most;
}

static void fluxes(const Mesh *m, const Rules *r, const Stage *s, const float *restrict h,
    const float *restrict v, const float *restrict p, const float *restrict local,
    float *restrict flux, float *restrict rate)
{
    float fast[L];
    const float lean = (float)r->lean;
    VECTOR EACH fast[l] = 0.0f;
    for (int64_t e = 0; e < m->sides; e++) {
        const float *d = m->side_data + e * SIDE;
        const int32_t *o = m->side + 6 * e;
        const float *hi = h + (int64_t)o[0] * L, *hj = h + (int64_t)o[1] * L;
        const float *v1 = v + (int64_t)o[2] * L, *v2 = v + (int64_t)o[3] * L;
        const float *vi = v + (int64_t)o[4] * L, *vj = v + (int64_t)o[5] * L;
        const float *p1 = p + (int64_t)o[2] * L, *p2 = p + (int64_t)o[3] * L;
        const float *pi = p + (int64_t)o[4] * L, *pj = p + (int64_t)o[5] * L;
        const float *ki = local + (int64_t)o[0] * L, *kj = local + (int64_t)o[1] * L;
        float *f = flux + e * L;
        const float len = d[LEN], bend = d[BENDS], per_i = d[PER_I], per_j = d[PER_J];
        const float share_i = d[SHARE_I], share_j = d[SHARE_J];
        const float xt = d[MX] * d[TX] + d[MY] * d[TY] + d[MZ] * d[TZ];
        VECTOR EACH {
            const float a = hi[l], b = hj[l], rise = b - a, side = v2[l] - v1[l];
            const float far_i = vi[l], far_j = vj[l];
            const float normal = s->g[0][l] * d[NX] + s->g[1][l] * d[NY] + s->g[2][l] * d[NZ];
            const float ww = s->w[0][l] * s->w[0][l] + s->w[1][l] * s->w[1][l] + s->w[2][l] * s->w[2][l];
            const float wx = s->w[0][l] * d[MX] + s->w[1][l] * d[MY] + s->w[2][l] * d[MZ];
            const float wt = s->w[0][l] * d[TX] + s->w[1][l] * d[TY] + s->w[2][l] * d[TZ];
            const float down = s->g[0][l] * d[TX] + s->g[1][l] * d[TY] + s->g[2][l] * d[TZ]
                + ww * xt - wx * wt;
            const float curve = s->g[0][l] * d[CX] + s->g[1][l] * d[CY] + s->g[2][l] * d[CZ];
            /* Slope of the film across the side: from the two cells' gradients, and straight. */
            const float foot_i = v1[l] + d[FOOT_I] * side, foot_j = v1[l] + d[FOOT_J] * side;
            const float smooth = 0.5f * ((foot_i - far_i) * d[HIGH_I] + (far_j - foot_j) * d[HIGH_J]);
            const float straight = rise * d[APART] - side * d[SKEW];
            const float slope = normal < 0.0f ? lean * straight + (1.0f - lean) * smooth : smooth;
            const float level = within(normal * slope, 1.0f);
            const float pside = p2[l] - p1[l];
            float pull = 0.5f * ((p1[l] + d[FOOT_I] * pside - pi[l]) * d[HIGH_I]
                + (pj[l] - p1[l] - d[FOOT_J] * pside) * d[HIGH_J]);
            pull = within(pull * bend, 1.0f);
            const float drive = down + level + pull;
            /* From upstream to the side's middle: its own gradient against the step to the other. */
            const float up = drive > 0.0f ? a : b;
            const float own = (v1[l] + v2[l] - 2.0f * (drive > 0.0f ? far_i : far_j)) * (1.0f / 6.0f);
            const float ahead = drive > 0.0f ? rise * share_i : -rise * share_j;
            const float behind = 2.0f * own - ahead;
            const float both = ahead * behind;
            const float step = both > 0.0f
                ? both * (ahead + behind) / (ahead * ahead + behind * behind + 1e-20f) : 0.0f;
            const float face = up + step;
            const float cap = s->cap[l], bcap = s->bcap[l];
            const float moved = face < cap ? face : cap, bent = face < bcap ? face : bcap;
            const float k = s->k[l] * 0.5f * (ki[l] + kj[l]);
            const float unit = k * moved * moved;
            float q = len * (unit * (face * (down + moved * curve) + moved * level) + k * bent * bent * bent * pull);
            const float most = a * s->per[l] * d[MOST_I], least = -b * s->per[l] * d[MOST_J];
            q = q < most ? q : most;
            f[l] = q > least ? q : least;
            const float speed = (face < cap ? 3.0f : 1.0f) * unit * fabsf(drive) * len * (drive > 0.0f ? per_i : per_j);
            fast[l] = speed > fast[l] ? speed : fast[l];
        }
    }
    if (rate) memcpy(rate, fast, sizeof fast);
}

static void over_rim(const Mesh *m, const Stage *s, const float *h, const float *local, float *over)
{
    for (int64_t r = 0; r < m->rims; r++) {
        const float *d = m->rim_data + r * RIM, *a = h + (int64_t)m->rim[r] * L;
        const float *k = local + (int64_t)m->rim[r] * L;
        VECTOR EACH {
            float down = s->g[0][l] * d[OX] + s->g[1][l] * d[OY] + s->g[2][l] * d[OZ];
            down = down > 0.0f ? down : 0.0f;
            float moved = a[l] < s->cap[l] ? a[l] : s->cap[l];
            float q = s->k[l] * k[l] * a[l] * moved * moved * down;
            float most = a[l] * s->per[l] * d[OPER];
            over[r * L + l] = q < most ? q : most;
        }
    }
}

typedef struct {
    double *h, *h0;
    float *h32, *v, *p, *local, *flux, *over;
    double spilt[L], spilt0[L], half[L];
} State;

static void advance(const Mesh *m, State *x, double keep, int open)
{
    const double part = 1.0 - keep;
    for (int64_t i = 0; i < m->cells; i++) {
        double sum[L];
        VECTOR EACH sum[l] = 0.0;
        for (int64_t r = m->cstart[i]; r < m->cstart[i + 1]; r++) {
            int32_t e = m->cside[r];
            const float *f = x->flux + (int64_t)(e < 0 ? ~e : e) * L;
            if (e < 0) { VECTOR EACH sum[l] += (double)f[l]; }
            else { VECTOR EACH sum[l] -= (double)f[l]; }
        }
        const double per = 1.0 / m->area[i];
        double *h = x->h + i * L, *h0 = x->h0 + i * L;
        VECTOR EACH h[l] = keep * h0[l] + part * (h[l] + x->half[l] * per * sum[l]);
    }
    double spilt[L] = {0};
    if (open)
        for (int64_t r = 0; r < m->rims; r++) {
            double *h = x->h + (int64_t)m->rim[r] * L;
            const float *o = x->over + r * L;
            const double per = part / m->area[m->rim[r]];
            EACH { h[l] -= x->half[l] * per * (double)o[l]; spilt[l] += (double)o[l]; }
        }
    EACH x->spilt[l] = keep * x->spilt0[l] + part * (x->spilt[l] + x->half[l] * spilt[l]);
    for (int64_t i = 0; i < m->cells * L; i++) x->h32[i] = (float)x->h[i];
}

static void *room(size_t bytes) { return aligned_alloc(128, (bytes + 127) / 128 * 128 + 128); }

/* The step of one lane, from its fastest flow and its fastest levelling. */
static double step_of(const Mesh *m, const Rules *r, const Job *j, const Lane *a, const Stage *s, int l,
    double slope, double bent)
{
    double par = s->k[l] * (slope * m->slope_rate + bent * j->capillary2 * m->bend_rate);
    double rate = a->fast / r->cfl + par / r->real_axis;
    double dt = rate > 2.0 ? 1.0 / rate : 0.5;
    double left = j->until_s - a->t;
    return dt < left ? dt : left;
}

int film_of_cells(const Mesh *m, const Rules *r, Job *jobs, int64_t count)
{
    const size_t nl = m->cells * L, vl = m->vertices * L;
    State x = {room(nl * 8), room(nl * 8), room(nl * 4), room(vl * 4), room(vl * 4), room(nl * 4),
        room(m->sides * L * 4), room((m->rims + 1) * L * 4), {0}, {0}, {0}};
    int bad = !(x.h && x.h0 && x.h32 && x.v && x.p && x.local && x.flux && x.over);
    Lane lane[L];
    Stage s;
    memset(lane, 0, sizeof lane);
    memset(&s, 0, sizeof s);
    int64_t turn = 0;
    int busy = 0;
    for (int l = 0; l < L && !bad; l++) {
        for (int64_t i = 0; i < m->cells; i++) {
            x.h[i * L + l] = l < count ? jobs[l].film[i] : 0.0;
            x.h32[i * L + l] = (float)x.h[i * L + l];
            x.local[i * L + l] = 1.0f;
        }
        s.cap[l] = s.bcap[l] = 1.0f;
        if (l >= count) continue;
        lane[l].busy = 1; lane[l].t = jobs[l].from_s;
        s.cap[l] = (float)jobs[l].cap; s.bcap[l] = (float)jobs[l].bend_cap;
        s.l2[l] = (float)jobs[l].capillary2;
        jobs[l].steps = jobs[l].status = 0;
        busy++;
    }
    while (busy && !bad) {
        float rate[L];
        float deep[L], stiff[L], odd[L];
        EACH {
            s.per[l] = 0.0f; x.half[l] = 0.0; deep[l] = stiff[l] = odd[l] = 0.0f;
            if (lane[l].busy) set_stage(&jobs[l], &lane[l], r, lane[l].t, &s, l);
            else s.k[l] = 0.0f;
        }
        if (turn % (int64_t)r->local_every == 0) set_local(m, jobs, lane, x.h, x.local);
        for (int64_t i = 0; i < m->cells; i++)
            VECTOR EACH {
                float h = x.h32[i * L + l], k = x.local[i * L + l];
                float c = h < s.cap[l] ? h : s.cap[l], d = h < s.bcap[l] ? h : s.bcap[l];
                float slope = k * c * c * c, bent = k * d * d * d;
                deep[l] = slope > deep[l] ? slope : deep[l];
                stiff[l] = bent > stiff[l] ? bent : stiff[l];
                odd[l] += h - h;
            }
        if (turn == 0) { /* later steps take the rate of the step before */
            to_vertices(m, x.h32, x.v);
            bends(m, &s, x.v, x.p);
            EACH s.per[l] = 1e9f;
            fluxes(m, r, &s, x.h32, x.v, x.p, x.local, x.flux, rate);
            EACH lane[l].fast = rate[l];
        }
        for (int l = 0; l < L; l++) {
            Lane *a = &lane[l];
            s.per[l] = 0.0f;
            if (!a->busy) continue;
            int status = !isfinite(deep[l] + odd[l]) ? 2 : jobs[l].steps >= r->most_steps;
            if (a->t >= jobs[l].until_s - 1e-9 || status) {
                for (int64_t i = 0; i < m->cells; i++) jobs[l].film[i] = x.h[i * L + l];
                jobs[l].spilt = x.spilt[l];
                jobs[l].status = status;
                a->busy = 0;
                busy--;
                continue;
            }
            a->dt = step_of(m, r, &jobs[l], a, &s, l, deep[l], stiff[l]);
            x.half[l] = 0.5 * a->dt;
            s.per[l] = (float)(2.0 / a->dt);
        }
        memcpy(x.h0, x.h, nl * 8);
        memcpy(x.spilt0, x.spilt, sizeof x.spilt);
        for (int stage = 0; stage < 3 && busy; stage++) {
            if (stage)
                EACH if (lane[l].busy)
                    set_stage(&jobs[l], &lane[l], r, lane[l].t + 0.5 * stage * lane[l].dt, &s, l);
            to_vertices(m, x.h32, x.v);
            bends(m, &s, x.v, x.p);
            fluxes(m, r, &s, x.h32, x.v, x.p, x.local, x.flux, stage ? NULL : rate);
            if (!stage) EACH lane[l].fast = rate[l];
            if (r->open) over_rim(m, &s, x.h32, x.local, x.over);
            advance(m, &x, stage == 2 ? 1.0 / 3.0 : 0.0, (int)r->open);
        }
        EACH if (lane[l].busy) { lane[l].t += lane[l].dt; jobs[l].steps++; }
        turn++;
    }
    free(x.h); free(x.h0); free(x.h32); free(x.v); free(x.p); free(x.local); free(x.flux); free(x.over);
    return bad;
}
