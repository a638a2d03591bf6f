// A plain textbook Kalman filter and Rauch-Tung-Striebel smoother in fixed-size arrays, for comparison with
// the core: dense F P F' + Q, measurements one after another with the plain gain, smoother gain by a Cholesky
// solve each step. Prints seconds for the given number of steps. Same sizes as the core: 24 states, 3 scalar
// measurements a step.
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <vector>

constexpr int N = 24;
constexpr int M = 3;

struct State {
    double x[N];
    double P[N][N];
};

static void multiply(const double (&a)[N][N], const double (&b)[N][N], double (&out)[N][N]) {
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < N; ++j) out[i][j] = 0.0;
        for (int k = 0; k < N; ++k) {
            for (int j = 0; j < N; ++j) out[i][j] += a[i][k] * b[k][j];
        }
    }
}

static void multiply_transposed(const double (&a)[N][N], const double (&b)[N][N], double (&out)[N][N]) {
    double t[N][N];
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < N; ++j) t[i][j] = b[j][i];
    }
    multiply(a, t, out);
}

static void predict(const double (&F)[N][N], const double (&Q)[N][N], State& s) {
    double x[N];
    for (int i = 0; i < N; ++i) {
        x[i] = 0.0;
        for (int j = 0; j < N; ++j) x[i] += F[i][j] * s.x[j];
    }
    double FP[N][N];
    multiply(F, s.P, FP);
    multiply_transposed(FP, F, s.P);
    for (int i = 0; i < N; ++i) {
        s.x[i] = x[i];
        for (int j = 0; j < N; ++j) s.P[i][j] += Q[i][j];
    }
}

static void update(State& s, int m, double z, double r) {
    double ph[N];
    for (int i = 0; i < N; ++i) ph[i] = s.P[i][m] + 0.1 * s.P[i][m + 6];
    const double S = ph[m] + 0.1 * ph[m + 6] + r;
    const double y = z - s.x[m] - 0.1 * s.x[m + 6];
    for (int i = 0; i < N; ++i) {
        s.x[i] += ph[i] / S * y;
        for (int j = 0; j < N; ++j) s.P[i][j] -= ph[i] * ph[j] / S;
    }
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < i; ++j) s.P[i][j] = s.P[j][i] = (s.P[i][j] + s.P[j][i]) / 2.0;
    }
}

// C = P F' inv(Pp) by a Cholesky factor of Pp, then x and P of the smoother.
static void smooth(const double (&F)[N][N], const State& filtered, const State& predicted, const State& next,
                   State& out) {
    double L[N][N] = {};
    for (int j = 0; j < N; ++j) {
        double d = predicted.P[j][j];
        for (int k = 0; k < j; ++k) d -= L[j][k] * L[j][k];
        L[j][j] = std::sqrt(d);
        for (int i = j + 1; i < N; ++i) {
            double sum = predicted.P[i][j];
            for (int k = 0; k < j; ++k) sum -= L[i][k] * L[j][k];
            L[i][j] = sum / L[j][j];
        }
    }
    double PF[N][N];
    multiply_transposed(filtered.P, F, PF);
    double C[N][N];
    for (int r = 0; r < N; ++r) {
        double y[N];
        for (int i = 0; i < N; ++i) {
            double sum = PF[r][i];
            for (int k = 0; k < i; ++k) sum -= L[i][k] * y[k];
            y[i] = sum / L[i][i];
        }
        for (int i = N; i-- > 0;) {
            double sum = y[i];
            for (int k = i + 1; k < N; ++k) sum -= L[k][i] * C[r][k];
            C[r][i] = sum / L[i][i];
        }
    }
    double D[N][N];
    for (int i = 0; i < N; ++i) {
        out.x[i] = filtered.x[i];
        for (int j = 0; j < N; ++j) {
            out.x[i] += C[i][j] * (next.x[j] - predicted.x[j]);
            D[i][j] = next.P[i][j] - predicted.P[i][j];
        }
    }
    double CD[N][N];
    multiply(C, D, CD);
    multiply_transposed(CD, C, out.P);
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < N; ++j) out.P[i][j] += filtered.P[i][j];
    }
}

int main(int argc, char** argv) {
    const int steps = argc > 1 ? std::atoi(argv[1]) : 20000;
    double F[N][N] = {};
    double Q[N][N] = {};
    for (int i = 0; i < N; ++i) {
        F[i][i] = 1.0;
        Q[i][i] = 1e-6;
        if (i + 6 < N) F[i][i + 6] = 0.005;
    }
    State now{};
    for (int i = 0; i < N; ++i) now.P[i][i] = 1.0;
    std::vector<State> filtered(static_cast<size_t>(steps)), predicted(static_cast<size_t>(steps));
    const auto begin = std::chrono::steady_clock::now();
    for (int k = 0; k < steps; ++k) {
        predict(F, Q, now);
        predicted[size_t(k)] = now;
        for (int m = 0; m < M; ++m) update(now, m, std::sin(0.001 * k + m), 0.01);
        filtered[size_t(k)] = now;
    }
    State next = now;
    double sum = 0.0;
    for (int k = steps - 1; k-- > 0;) {
        State out;
        smooth(F, filtered[size_t(k)], predicted[size_t(k) + 1], next, out);
        next = out;
        sum += out.x[0];
    }
    const std::chrono::duration<double> taken = std::chrono::steady_clock::now() - begin;
    std::printf("%.6f %.6f\n", taken.count(), sum);
    return 0;
}
