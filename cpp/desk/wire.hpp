// A serial line in one direction: bytes take their time, arrive with jitter, and now and then a bit is wrong.
#pragma once

#include <stdint.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

namespace desk {

// What arrives at one moment. broken: the bytes whose start or stop bit was hit.
struct Burst {
    double at = 0.0;
    std::vector<uint8_t> bytes;
    std::vector<bool> broken;
};

class Wire {
  public:
    // baud: 8N1, ten bits a byte. jitter [s]: the receiver looks up to so much later. error_rate: of one bit.
    Wire(double baud, double jitter, double error_rate, uint64_t seed)
        : byte_time_(10.0 / baud), jitter_(jitter), error_rate_(error_rate), chance_(seed) {
        draw();
    }

    Burst carry(double now, std::vector<uint8_t> bytes) {
        free_ = std::max(now, free_) + byte_time_ * double(bytes.size());
        const double late =
            jitter_ > 0.0 ? std::uniform_real_distribution<double>(0.0, jitter_)(chance_) : 0.0;
        last_ = std::max(last_, free_ + late);
        Burst burst{last_, std::move(bytes), {}};
        burst.broken.assign(burst.bytes.size(), false);
        for (size_t k = 0; k < burst.bytes.size(); ++k) {
            while (to_next_ < 10.0) {
                const int bit = int(to_next_);
                if (bit == 0 || bit == 9)
                    burst.broken[k] = true;
                else
                    burst.bytes[k] = uint8_t(burst.bytes[k] ^ (1U << unsigned(bit - 1)));
                ++hits_;
                const double spent = std::floor(to_next_) + 1.0;
                draw();
                to_next_ += spent;
            }
            to_next_ -= 10.0;
        }
        return burst;
    }

    uint64_t hits() const { return hits_; }

  private:
    // Bits until the next wrong one: geometric.
    void draw() {
        if (error_rate_ <= 0.0) {
            to_next_ = 1e300;
            return;
        }
        const double u = 1.0 - std::uniform_real_distribution<double>(0.0, 1.0)(chance_);
        to_next_ = std::floor(std::log(u) / std::log1p(-error_rate_));
    }

    double byte_time_;
    double jitter_;
    double error_rate_;
    std::mt19937_64 chance_;
    double free_ = 0.0;
    double last_ = 0.0;
    double to_next_ = 0.0;
    uint64_t hits_ = 0;
};

}  // namespace desk
