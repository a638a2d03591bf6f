// Frames over a noisy line with the truth kept beside them: what one direction of the link must count.
#pragma once

#include <cstdint>
#include <cstring>
#include <fifthwheel/link.hpp>
#include <vector>

#include "noisy_line.hpp"

#pragma pack(push, 1)
struct TrialFrame {
    static constexpr uint8_t frame_type = 20;
    uint32_t number;
    uint64_t noise[5];
};
#pragma pack(pop)

// Any content follows from the number, so that a wrong frame taken for a good one is seen.
inline TrialFrame trial_frame(uint32_t number) {
    TrialFrame f;
    f.number = number;
    uint64_t x = number;
    for (size_t i = 0; i < 5; ++i) {  // splitmix64 (S. Vigna, public domain): any bits, zeros among them
        x += 0x9E3779B97F4A7C15ULL;
        uint64_t z = x;
        z = (z ^ (z >> 30U)) * 0xBF58476D1CE4E5B9ULL;
        z = (z ^ (z >> 27U)) * 0x94D049BB133111EBULL;
        f.noise[i] = (number % 7 == 0 && i == 2) ? 0 : z ^ (z >> 31U);
    }
    return f;
}

struct TrialResult {
    uint64_t bits = 0;
    uint64_t bit_errors = 0;
    uint64_t sent = 0;
    uint64_t delivered = 0;
    uint64_t wrong = 0;          // accepted and not what was sent
    uint64_t not_recovered = 0;  // frames untouched on the line and yet not delivered
    uint64_t span = 0;           // frames from the first delivered to the last
    uint64_t lost_truth = 0;     // of these, not delivered
    fifthwheel::LinkCounts counts;
    uint64_t pieces = 0;        // bad stretches as long as a frame or longer
    uint64_t halves_alike = 0;  // of these, half-words of the CRC that agreed by chance
};

// One direction of a link at `baud`: `rate` frames a second and a hello a second for so many seconds.
class LinkTrial {
  public:
    static constexpr uint64_t layout = 0x1122334455667788ULL;

    LinkTrial(double error_rate, uint64_t seed, bool tell_breaks)
        : line_(error_rate, seed), sender_({layout, 7, 1}), receiver_(layout), tell_(tell_breaks) {}

    TrialResult run(double seconds, double rate, uint32_t baud) {
        const auto frames = uint64_t(seconds * rate);
        const auto period = uint64_t(double(baud) / rate);
        for (uint64_t k = 0; k < frames; ++k) {
            now_ = uint64_t(double(k) / rate * 1e6);
            size_t size = 0;
            uint64_t used = 0;
            if (k % uint64_t(rate) == 0) {
                if (sender_.hello(now_, out_, &size) != fifthwheel::Status::ok) return result_;
                used += transmit(size);
            }
            if (sender_.send(trial_frame(sender_.sent()), now_, out_, &size) != fifthwheel::Status::ok)
                return result_;
            used += transmit(size);
            line_.idle(period - used, *this);
        }
        result_.counts = receiver_.counts();
        result_.bits = line_.now() - (1U << 20U);
        result_.bit_errors = line_.errors();
        result_.sent = sender_.sent();
        if (any_) result_.span = uint64_t(last_ - first_) + 1;
        result_.lost_truth = result_.span - heard_;
        return result_;
    }

    void byte(uint8_t byte) {
        if (byte == 0) {
            judge_piece();
        } else {
            piece_.push_back(byte);
        }
        take(receiver_.take(byte, now_));
    }
    void no_stop_bit() {
        if (!tell_) return;
        piece_.clear();
        take(receiver_.cut(now_));
    }

  private:
    uint64_t transmit(size_t size) {
        current_ = sender_.sent() - 1;
        arrived_ = false;
        (void)fifthwheel::cobs_decode(out_ + 1, size - 2, truth_, sizeof truth_, &truth_size_);
        const bool clean = line_.send(out_, size, 10, *this);
        if (clean && !arrived_) ++result_.not_recovered;
        return 10 * size;
    }

    void take(fifthwheel::LinkEvent event) {
        if (event != fifthwheel::LinkEvent::frame) return;
        const auto frame = receiver_.frame();
        // A frame whose last zero was hit ends with the first zero of the next one.
        const auto back = uint16_t(uint16_t(current_) - frame.sequence);
        const uint32_t number = current_ - back;
        if (back > 1) {
            ++result_.wrong;
            return;
        }
        arrived_ = arrived_ || back == 0;
        ++heard_;
        if (!any_) first_ = number;
        any_ = true;
        last_ = number;
        if (frame.is(fifthwheel::LinkType::hello)) {
            const auto hello = fifthwheel::LinkHello::get(frame.payload);
            result_.wrong += uint64_t(hello.sent != number || hello.peer.layout != layout);
            return;
        }
        TrialFrame got{};
        const TrialFrame truth = trial_frame(number);
        if (read_frame(frame, &got) != fifthwheel::Status::ok || std::memcmp(&got, &truth, sizeof got) != 0) {
            ++result_.wrong;
            return;
        }
        ++result_.delivered;
    }

    // How often a bad stretch agrees with half of its check by chance says what the check is worth.
    void judge_piece() {
        uint8_t bytes[512];
        size_t size = 0;
        if (piece_.size() < sizeof bytes &&
            fifthwheel::cobs_decode(piece_.data(), piece_.size(), bytes, sizeof bytes, &size) ==
                fifthwheel::Status::ok &&
            size >= fifthwheel::link_header + fifthwheel::link_check) {
            const uint32_t apart = fifthwheel::crc32(bytes, size - 4) ^ fifthwheel::get_u32(bytes + size - 4);
            // A check that is wrong itself says nothing of what it finds.
            const bool data = size != truth_size_ || std::memcmp(bytes, truth_, size - 4) != 0;
            if (data && apart != 0) {
                ++result_.pieces;
                result_.halves_alike += uint64_t((apart & 0xFFFFU) == 0) + uint64_t((apart >> 16U) == 0);
            }
        }
        piece_.clear();
    }

    NoisyLine line_;
    fifthwheel::LinkSender sender_;
    fifthwheel::LinkReceiver<64> receiver_;
    bool tell_;
    uint8_t out_[fifthwheel::link_bound(64)];
    uint8_t truth_[128];
    size_t truth_size_ = 0;
    std::vector<uint8_t> piece_;
    TrialResult result_;
    uint64_t now_ = 0;
    uint64_t heard_ = 0;
    uint32_t current_ = 0;
    uint32_t first_ = 0;
    uint32_t last_ = 0;
    bool any_ = false;
    bool arrived_ = false;
};
