/* The package's scheme as a plain C loop: one fixed step per control sample, as a measure of what the hardware allows.

   Same arrays, same firmware, same predictor and corrector; left out are the error estimate with its smaller steps, the
   heat account and the watch on the limits.  The structures mirror the named tuples of thermnet/solve/kernel/arrays.py, field
   by field; every field is a pointer. */
#include <math.h>
#include <stdint.h>

typedef double *D;
typedef int64_t *I;

typedef struct { I slot_of_level; D propagate, correct, hold, capacity; I physical; D boundary;
                 I law_index; D law_value; I quick_laws; } Thermal;
typedef struct { D demand; I holds_frequency; D share, follow; I leak_index; D leak_value, leak_voltage_exponent, curve,
                 base_heat, worth; } Silicon;
typedef struct { D weight, offset, alpha, resolution; I ticks, delay; } Senses;
typedef struct { D burst, sustained, alpha, peak, floor; I throttle_sensor; D throttle_step, throttle_target, throttle_kp,
                 throttle_ki; I throttle_ticks; D weight, shared_budget; I skin_sensor; D skin_limit, skin_release, skin_kp,
                 skin_ki, skin_recovery, skin_floor; I skin_ticks, table_fan, table_sensor; D table_hysteresis; I table_first;
                 D step_on, step_speed, fan_idle, fan_cap, fan_rise, fan_fall; I fan_dwell, fan_ticks; D fan_grid;
                 I fan_stride, charger_input, charger_sensor; D charger_on, charger_share, charger_hysteresis;
                 I charger_ticks; } Rules;
typedef struct { D x, sensor, sensor_lagged, sensor_ring, average, throttle, throttle_integral, skin, skin_integral;
                 I skin_engaged, table_step, table_since; D fan_speed; I fan_index, charger_step; D law_state, surface_heat,
                 surface_push, power, frequency; I bound; D work; } State;
typedef struct { D x, power, frequency, work, average, sensor; int32_t *level; int8_t *bound; } Kept;
typedef struct { int64_t nx, quick, held, boundaries, laws, quick_laws, leaks, chips, points, sensors, skins, tables, fans,
                 charger_steps, subdivisions, ring, demand_columns, slow, columns, width;
                 double step; } Sizes;

#define LIMIT(v, low, high) fmin(fmax(v, low), high)

static double end_of(int64_t i, const double *x, const double *boundary) { return i >= 0 ? x[i] : boundary[-1 - i]; }

static double heat_limit(const double *p, double hot, double cold) {
    double mean = 0.5 * (hot + cold), limit = p[1] * LIMIT(1.0 + p[3] * (mean - p[2]), 0.05, 3.0);
    if (mean < p[7]) {
        double s = fmax(mean / p[7], 0.0);
        limit *= 0.02 + 0.98 * s * s * (3.0 - 2.0 * s);
    }
    return limit;
}

static double conductance(int64_t code, const double *p, double hot, double cold, double dry) {
    if (code == 1) {
        double a = hot + 273.15, b = cold + 273.15, d = fabs(hot - cold) + 1e-9;
        return p[0] * 5.670374419e-8 * (a * a + b * b) * (a + b) + p[1] * (p[2] == 0.25 ? sqrt(sqrt(d)) : pow(d, p[2])) + p[3];
    }
    if (code == 3) {
        double fraction = (cold - p[1]) / p[3] + 0.5, room = hot > cold ? 1.0 - fraction : fraction;
        return p[0] * (1e-6 + LIMIT(room / p[4], 0.0, 1.0));
    }
    double limit = heat_limit(p, hot, cold) * (dry == 1.0 ? p[6] : 1.0), drop = fabs(hot - cold), unlimited = drop / p[0];
    double low = limit * (1.0 - p[5]), high = limit * (1.0 + p[5]), inverse = 1.0 / p[4];
    if (unlimited <= low || drop < 1e-9) return 1.0 / p[0];
    double inside = fmin(unlimited, high) - low, heat = low + inside - (1.0 - inverse) * inside * inside / (2.0 * (high - low));
    if (unlimited > high) heat += (unlimited - high) * inverse;
    return heat / drop;
}

static double leak(const double *p, double t) { return p[0] * exp(fmin(p[2] * (t - p[1]), 6.0)); }

static double raised(double v, double n) { return n == 2.0 ? v * v : pow(v, n); }

static int segment(const double *curve, int64_t points, double f) {
    int k = 0;
    while (k + 1 < points && f > curve[3 * (k + 1)]) k++;
    return k;
}

static double frequency_for(const double *curve, int64_t points, double n, double dynamic, double leakage, double limit, double f) {
    double low = 0.0, high = 1.0;
    f = LIMIT(f, 0.02, 1.0);
    for (int i = 0; i < 60; i++) {
        const double *c = curve + 3 * segment(curve, points, f);
        double v = c[1] + c[2] * (f - c[0]), leaks = leakage * raised(v, n), miss = dynamic * f * v * v + leaks - limit;
        if (miss > 0.0) high = f; else low = f;
        double next = f - miss / (dynamic * v * v + 2.0 * dynamic * f * v * c[2] + n * leaks / v * c[2]);
        if (!(low < next && next < high)) next = 0.5 * (low + high);
        if (fabs(next - f) < 1e-11) return next;
        f = next;
    }
    return f;
}

static void share_out(int64_t chips, const double *wanted, double *allowed, const double *floor, const double *weight, double total,
                      int64_t *bound, int64_t code) {
    double asked = 0.0, floors = 0.0, weights = 0.0;
    for (int64_t c = 0; c < chips; c++) asked += fmin(wanted[c], allowed[c]);
    if (asked <= total) return;
    for (int64_t c = 0; c < chips; c++) {
        double need = fmin(wanted[c], allowed[c]), base = fmin(need, floor[c]);
        floors += base;
        weights += weight[c] * (need - base);
    }
    for (int64_t c = 0; c < chips; c++) {
        double need = fmin(wanted[c], allowed[c]), base = fmin(need, floor[c]), part = base;
        if (weights > 0.0) part += fmax(total - floors, 0.0) * weight[c] * (need - base) / weights;
        if (part < need) { allowed[c] = part; bound[c] = code; }
    }
}

/* y += v0 p0 + v1 p1 ...: columns of the propagator, rows in the vector lanes. */
static void add_columns(double *restrict y, const double *restrict p, const double *restrict v, int64_t columns, int64_t rows) {
    int64_t j = 0;
    for (; j + 4 <= columns; j += 4) {
        const double *a = p + j * rows, *b = a + rows, *c = b + rows, *d = c + rows;
        double v0 = v[j], v1 = v[j + 1], v2 = v[j + 2], v3 = v[j + 3];
        for (int64_t i = 0; i < rows; i++) y[i] += v0 * a[i] + v1 * b[i] + v2 * c[i] + v3 * d[i];
    }
    for (; j < columns; j++)
        for (int64_t i = 0; i < rows; i++) y[i] += v[j] * p[j * rows + i];
}

/* Runs ``last`` samples from tick 0; returns the fan level it misses, or -1. */
int64_t c_loop(const Thermal *t, const Silicon *si, const Senses *se, const Rules *r, State *st, Kept *kept, const Sizes *n,
               int64_t last) {
    int64_t nx = n->nx, mq = n->quick, mh = n->held - n->boundaries, columns = n->columns, width = n->width;
    int64_t stride_p = n->subdivisions * columns * width, stride_c = n->subdivisions * mq * width;
    int64_t stride_h = n->subdivisions * n->held * width;
    double v[columns], predicted[width], push[width], held[n->held], leak_now[n->leaks], ramp[mq];
    double allowed[n->chips], wanted[n->chips], leaks[n->chips], factor[n->chips], awake[n->chips], rated[n->chips];
    int floats[n->chips];
    double *x = st->x;
    int64_t push_slot = -1, refresh = 0;
    for (int64_t j = 0; j < columns; j++) v[j] = 0.0;
    for (int64_t c = 0; c < n->chips; c++) rated[c] = 0.0;
    for (int64_t e = 0; e < n->leaks; e++) rated[si->leak_index[3 * e]] += si->leak_value[3 * e];
    for (int64_t tick = 0; tick < last; tick++) {
        /* sensors */
        for (int64_t s = 0; s < n->sensors; s++)
            if (tick % se->ticks[s] == 0) {
                double raw = se->offset[s];
                for (int64_t i = 0; i < nx; i++) raw += se->weight[s * nx + i] * x[i];
                double *ring = st->sensor_ring + s * n->ring;
                if (tick == 0) {
                    st->sensor_lagged[s] = raw;
                    for (int64_t d = 0; d < n->ring; d++) ring[d] = raw;
                }
                st->sensor_lagged[s] += se->alpha[s] * (raw - st->sensor_lagged[s]);
                double seen = st->sensor_lagged[s];
                if (se->delay[s] > 0) {
                    int64_t length = se->delay[s] + 1, at = tick / se->ticks[s] % length;
                    ring[at] = seen;
                    seen = ring[(at + 1) % length];
                }
                st->sensor[s] = se->resolution[s] > 0.0 ? floor(seen / se->resolution[s] + 0.5) * se->resolution[s] : seen;
            }
        /* junction throttle, skin limiter */
        double total = 0.0;
        for (int64_t c = 0; c < n->chips; c++) {
            double top = fmin(r->burst[c], r->peak[c]);
            total += top;
            if (tick % r->throttle_ticks[c] == 0) {
                double error = r->throttle_target[c] - st->sensor[r->throttle_sensor[c]], ask;
                if (r->throttle_step[c] > 0.0) ask = st->throttle[c] + (error > 0.0 ? r->throttle_step[c] : -r->throttle_step[c]);
                else {
                    st->throttle_integral[c] = LIMIT(st->throttle_integral[c] + r->throttle_ki[c] * error, r->floor[c], top);
                    ask = st->throttle_integral[c] + r->throttle_kp[c] * error;
                }
                st->throttle[c] = LIMIT(ask, r->floor[c], top);
            }
        }
        total = fmin(total, r->shared_budget[0]);
        for (int64_t s = 0; s < n->skins; s++)
            if (tick % r->skin_ticks[s] == 0) {
                double error = r->skin_limit[s] - st->sensor[r->skin_sensor[s]], ask;
                if (error <= 0.0 && !st->skin_engaged[s]) {
                    double drawn = 0.0;
                    for (int64_t c = 0; c < n->chips; c++) drawn += st->power[c];
                    st->skin_engaged[s] = 1;
                    st->skin_integral[s] = fmin(st->skin[s], drawn);
                } else if (error > r->skin_release[s]) st->skin_engaged[s] = 0;
                if (st->skin_engaged[s]) {
                    st->skin_integral[s] = LIMIT(st->skin_integral[s] + r->skin_ki[s] * error, r->skin_floor[s], total);
                    ask = st->skin_integral[s] + r->skin_kp[s] * error;
                } else ask = st->skin[s] + r->skin_recovery[s];
                st->skin[s] = LIMIT(ask, r->skin_floor[s], total);
            }
        /* fans */
        int64_t level = 0;
        for (int64_t f = 0; f < n->fans; f++) {
            if (tick % r->fan_ticks[f] == 0) {
                double request = r->fan_idle[f];
                for (int64_t k = 0; k < n->tables; k++) {
                    if (r->table_fan[k] != f) continue;
                    int64_t first = r->table_first[k], rows = r->table_first[k + 1] - first, before = st->table_step[k], step = before;
                    double reading = st->sensor[r->table_sensor[k]];
                    while (step < rows && reading >= r->step_on[first + step]) step++;
                    if (step == before && tick - st->table_since[k] >= r->fan_dwell[f])
                        while (step > 0 && reading < r->step_on[first + step - 1] - r->table_hysteresis[k]) step--;
                    if (step != before) { st->table_since[k] = tick; st->table_step[k] = step; }
                    if (step > 0) request = fmax(request, r->step_speed[first + step - 1]);
                }
                request = fmin(request, r->fan_cap[f]);
                st->fan_speed[f] = request > st->fan_speed[f] ? fmin(request, st->fan_speed[f] + r->fan_rise[f])
                                                              : fmax(request, st->fan_speed[f] - r->fan_fall[f]);
                st->fan_index[f] = (int64_t)(st->fan_speed[f] / r->fan_grid[f] + 0.5);
            }
            level += st->fan_index[f] * r->fan_stride[f];
        }
        int64_t slot = t->slot_of_level[level];
        if (slot < 0) return level;
        /* power */
        int64_t column = tick < n->demand_columns ? tick : n->demand_columns - 1;
        for (int64_t c = 0; c < n->chips; c++) leaks[c] = 0.0;
        for (int64_t e = 0; e < n->leaks; e++)
            leaks[si->leak_index[3 * e]] += leak_now[e] = leak(si->leak_value + 3 * e, x[si->leak_index[3 * e + 2]]);
        for (int64_t c = 0; c < n->chips; c++) {
            double asked = si->demand[c * n->demand_columns + column];
            awake[c] = asked < rated[c] ? asked / rated[c] : 1.0;
            leaks[c] *= awake[c];
            wanted[c] = si->holds_frequency[0] ? fmax(asked - rated[c], 0.0) + leaks[c] : asked;
            double limit = st->average[c] < r->sustained[c] ? r->burst[c] : r->sustained[c];
            st->bound[c] = st->average[c] < r->sustained[c] ? 1 : 2;
            if (r->peak[c] < limit) { limit = r->peak[c]; st->bound[c] = 3; }
            if (st->throttle[c] < limit) { limit = st->throttle[c]; st->bound[c] = 4; }
            allowed[c] = fmax(limit, r->floor[c]);
        }
        double together = r->shared_budget[0];
        int64_t code = 6;
        for (int64_t s = 0; s < n->skins; s++)
            if (st->skin[s] < together) { together = st->skin[s]; code = 5; }
        if (together < 1e29) share_out(n->chips, wanted, allowed, r->floor, r->weight, together, st->bound, code);
        for (int64_t j = 0; j < mq; j++) v[nx + j] = 0.0;
        for (int64_t c = 0; c < n->chips; c++) {
            double asked = si->demand[c * n->demand_columns + column], dynamic = fmax(asked - rated[c], 0.0), f = 1.0, allow = allowed[c];
            floats[c] = si->holds_frequency[0] && dynamic + leaks[c] <= allow;
            if (floats[c] || (!si->holds_frequency[0] && asked <= allow)) st->bound[c] = 0;
            double exponent = si->leak_voltage_exponent[c];
            const double *curve = si->curve + c * n->points * 3;
            factor[c] = 1.0;
            if (floats[c]) st->power[c] = dynamic + leaks[c];
            else {
                if (!si->holds_frequency[0]) allow = fmin(asked, allow);
                if (dynamic > 0.0 && allow < dynamic + leaks[c])
                    f = frequency_for(curve, n->points, exponent, dynamic, leaks[c], allow, st->frequency[c]);
                const double *k = curve + 3 * segment(curve, n->points, f);
                factor[c] = raised(k[1] + k[2] * (f - k[0]), exponent);
                st->power[c] = si->holds_frequency[0] ? fmax(allow, leaks[c] * factor[c]) : allow;
            }
            st->frequency[c] = f;
            double spent = fmax(st->power[c] - leaks[c] * factor[c], 0.0);
            for (int64_t j = 0; j < mq; j++) v[nx + j] += si->share[c * mq + j] * spent + si->follow[c * mq + j] * st->power[c];
        }
        for (int64_t e = 0; e < n->leaks; e++) {
            int64_t c = si->leak_index[3 * e];
            double own = leaks[c] * factor[c], scale = floats[c] || own <= st->power[c] ? 1.0 : st->power[c] / own;
            v[nx + si->leak_index[3 * e + 1]] += leak_now[e] * awake[c] * factor[c] * scale;
        }
        /* history */
        if (kept->x) {
            for (int64_t i = 0; i < nx; i++) kept->x[tick * nx + i] = x[i];
            for (int64_t c = 0; c < n->chips; c++) {
                kept->power[tick * n->chips + c] = st->power[c];
                kept->frequency[tick * n->chips + c] = st->frequency[c];
                kept->work[tick * n->chips + c] = st->work[c];
                kept->average[tick * n->chips + c] = st->average[c];
                kept->bound[tick * n->chips + c] = (int8_t)st->bound[c];
            }
            for (int64_t s = 0; s < n->sensors; s++) kept->sensor[tick * n->sensors + s] = st->sensor[s];
            kept->level[tick] = (int32_t)level;
        }
        /* charger */
        if (r->charger_input[0] >= 0 && tick % r->charger_ticks[0] == 0) {
            double reading = st->sensor[r->charger_sensor[0]];
            int64_t step = st->charger_step[0];
            while (step < n->charger_steps && reading >= r->charger_on[step]) step++;
            while (step > 0 && reading < r->charger_on[step - 1] - r->charger_hysteresis[0]) step--;
            if (step != st->charger_step[0]) refresh = 0;
            st->charger_step[0] = step;
        }
        /* slow laws */
        if (refresh == 0) {
            for (int64_t j = 0; j < mh; j++) held[j] = si->base_heat[j];
            if (r->charger_input[0] >= 0 && st->charger_step[0] > 0) held[r->charger_input[0]] *= r->charger_share[st->charger_step[0] - 1];
            for (int64_t b = 0; b < n->boundaries; b++) held[mh + b] = t->boundary[b];
            for (int64_t k = 0; k < n->laws; k++) {
                const int64_t *law = t->law_index + 6 * k;
                const double *p = t->law_value + 9 * k;
                if (law[5]) continue;
                double a = end_of(law[1], x, t->boundary), b = end_of(law[2], x, t->boundary);
                double d = (conductance(law[0], p, a, b, 0.0) - p[8]) * (a - b);
                if (law[3] >= 0) held[law[3] - mq] -= d;
                if (law[4] >= 0) held[law[4] - mq] += d;
            }
            push_slot = -1;
            refresh = n->slow;
        }
        refresh--;
        if (push_slot != slot) {
            for (int64_t i = 0; i < width; i++) push[i] = 0.0;
            add_columns(push, t->hold + slot * stride_h, held, n->held, width);
            push_slot = slot;
        }
        /* predictor and corrector */
        for (int64_t i = 0; i < nx; i++) v[i] = x[i];
        for (int64_t i = 0; i < width; i++) predicted[i] = push[i];
        for (int64_t q = 0; q < n->quick_laws; q++) {
            int64_t k = t->quick_laws[q];
            const int64_t *law = t->law_index + 6 * k;
            const double *p = t->law_value + 9 * k;
            double a = end_of(law[1], x, t->boundary), b = end_of(law[2], x, t->boundary);
            double d = (conductance(law[0], p, a, b, st->law_state[2 * k + 1]) - p[8]) * (a - b);
            st->law_state[2 * k] = d;
            if (law[3] >= 0) v[nx + law[3]] -= d;
            if (law[4] >= 0) v[nx + law[4]] += d;
        }
        add_columns(predicted, t->propagate + slot * stride_p, v, columns, width);
        for (int64_t j = 0; j < mq; j++) ramp[j] = 0.0;
        for (int64_t q = 0; q < n->quick_laws; q++) {
            int64_t k = t->quick_laws[q];
            const int64_t *law = t->law_index + 6 * k;
            const double *p = t->law_value + 9 * k;
            double a = end_of(law[1], predicted, t->boundary), b = end_of(law[2], predicted, t->boundary);
            double d = (conductance(law[0], p, a, b, st->law_state[2 * k + 1]) - p[8]) * (a - b) - st->law_state[2 * k];
            if (law[3] >= 0) ramp[law[3]] -= d;
            if (law[4] >= 0) ramp[law[4]] += d;
        }
        for (int64_t e = 0; e < n->leaks; e++) {
            int64_t c = si->leak_index[3 * e];
            if (!floats[c]) continue;
            double then = leak(si->leak_value + 3 * e, predicted[si->leak_index[3 * e + 2]]);
            ramp[si->leak_index[3 * e + 1]] += (then - leak_now[e]) * awake[c] * factor[c];
        }
        for (int64_t j = 0; j < mq; j++)
            if (ramp[j] != 0.0)
                for (int64_t i = 0; i < width; i++) predicted[i] += ramp[j] * t->correct[slot * stride_c + j * width + i];
        for (int64_t i = 0; i < nx; i++) x[i] = predicted[i];
        for (int64_t q = 0; q < n->quick_laws; q++) {
            int64_t k = t->quick_laws[q];
            const int64_t *law = t->law_index + 6 * k;
            const double *p = t->law_value + 9 * k;
            if (law[0] != 2 || p[6] >= 1.0) continue;
            double a = end_of(law[1], x, t->boundary), b = end_of(law[2], x, t->boundary), limit = heat_limit(p, a, b);
            double carried = conductance(2, p, a, b, st->law_state[2 * k + 1]) * fabs(a - b);
            if (st->law_state[2 * k + 1] == 0.0 && carried > limit) st->law_state[2 * k + 1] = 1.0;
            else if (st->law_state[2 * k + 1] == 1.0 && carried < p[6] * limit) st->law_state[2 * k + 1] = 0.0;
        }
        for (int64_t c = 0; c < n->chips; c++) {
            st->average[c] += r->alpha[c] * (st->power[c] - st->average[c]);
            st->work[c] += st->frequency[c] * si->worth[c * n->demand_columns + column] * n->step;
        }
    }
    return -1;
}
