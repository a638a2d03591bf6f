// One hour of frames in each direction over a line with wrong bits; prints a line of numbers for each error
// rate.
#include <cstdio>
#include <cstdlib>

#include "link_trial.hpp"

int main(int count, char** words) {
    const double seconds = count > 1 ? std::atof(words[1]) : 3600.0;
    const double rate = count > 2 ? std::atof(words[2]) : 200.0;
    const double error_rates[] = {0.0, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3};
    for (const double error_rate : error_rates) {
        for (uint64_t direction = 0; direction < 2; ++direction) {
            LinkTrial trial(error_rate, 2026 + direction, true);
            const TrialResult r = trial.run(seconds, rate, 1000000);
            std::printf("%g %llu %llu %llu %llu %u %llu %u %llu %llu %llu %llu\n", error_rate,
                        (unsigned long long)r.bit_errors, (unsigned long long)r.sent,
                        (unsigned long long)r.span, (unsigned long long)r.lost_truth, r.counts.lost,
                        (unsigned long long)r.wrong, r.counts.bad, (unsigned long long)r.not_recovered,
                        (unsigned long long)r.pieces, (unsigned long long)r.halves_alike,
                        (unsigned long long)r.delivered);
        }
    }
    return 0;
}
