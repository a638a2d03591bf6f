// An 8N1 line whose bits are wrong now and then, start bits, stop bits and the idle line among them, and what
// a UART makes of it: bytes out of step, bytes without a stop bit, bytes out of nothing.
#pragma once

#include <cmath>
#include <cstdint>
#include <random>
#include <vector>

class NoisyLine {
  public:
    NoisyLine(double error_rate, uint64_t seed) : random_(seed), keep_(std::log1p(-error_rate)) {
        next_error_ = now_ + far_ahead();
    }

    // Let the line rest for so many bits.
    template <typename Port>
    void idle(uint64_t bits, Port&& port) {
        const uint64_t end = now_ + bits;
        while (now_ < end) {
            // Nothing happens on a line at rest until a bit is wrong.
            if (state_ == State::waiting && next_error_ > now_) {
                now_ = next_error_ < end ? next_error_ : end;
                continue;
            }
            bit(true, port);
        }
    }

    // Send bytes without a pause. True when no bit of theirs was wrong, nor any in the `before` bits ahead of
    // them.
    template <typename Port>
    bool send(const uint8_t* bytes, size_t count, uint64_t before, Port&& port) {
        const uint64_t end = now_ + 10 * count;
        const bool clean = next_error_ >= end && now_ - last_error_ > before;
        if (clean && state_ == State::waiting) {
            for (size_t i = 0; i < count; ++i) port.byte(bytes[i]);
            now_ = end;
            return true;
        }
        for (size_t i = 0; i < count; ++i) {
            bit(false, port);
            for (unsigned k = 0; k < 8; ++k) bit(((bytes[i] >> k) & 1U) != 0U, port);
            bit(true, port);
        }
        return clean;
    }

    uint64_t now() const { return now_; }  // bits since the start
    uint64_t errors() const { return errors_; }

  private:
    enum class State { waiting, receiving, broken };

    template <typename Port>
    void bit(bool level, Port&& port) {
        if (now_ == next_error_) {
            level = !level;
            last_error_ = now_ + 1;
            ++errors_;
            next_error_ = now_ + 1 + far_ahead();
        }
        ++now_;
        switch (state_) {
            case State::waiting:
                if (!level) {
                    state_ = State::receiving;
                    count_ = 0;
                    data_ = 0;
                }
                break;
            case State::receiving:
                if (count_ < 8) {
                    data_ = uint8_t(data_ | (unsigned(level) << count_));
                    ++count_;
                } else {
                    state_ = level ? State::waiting : State::broken;
                    level ? port.byte(data_) : port.no_stop_bit();
                }
                break;
            case State::broken:  // no start bit before the line has been high
                if (level) state_ = State::waiting;
                break;
        }
    }

    // Bits until the next wrong one: a geometric distribution.
    uint64_t far_ahead() {
        if (keep_ == 0.0) return uint64_t(1) << 62U;
        const double u = std::generate_canonical<double, 53>(random_);
        return uint64_t(std::log1p(-u) / keep_);
    }

    std::mt19937_64 random_;
    double keep_;
    uint64_t next_error_ = 0;
    uint64_t last_error_ = 0;  // the bit after it; 0 before the first
    uint64_t now_ = 1U << 20U;
    uint64_t errors_ = 0;
    State state_ = State::waiting;
    unsigned count_ = 0;
    uint8_t data_ = 0;
};
