// One emulated board: its clock, card, store, sensors and ports, in virtual time.
#pragma once

#include <stdint.h>
#include <stdio.h>

#include <algorithm>
#include <cmath>
#include <deque>
#include <fifthwheel/failsafe.hpp>
#include <fifthwheel/status.hpp>
#include <fifthwheel/wheel.hpp>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "feed.hpp"
#include "log_map.hpp"
#include "values.hpp"

namespace desk {

using fifthwheel::Status;
namespace car = fifthwheel::car;

constexpr double nowhere = 1e18;

// A stretch of true time in which something is wrong.
struct Trouble {
    std::string kind;
    double start = 0.0;
    double end = 0.0;
    std::string subject;

    bool at(double t) const { return t >= start && t < end; }
};

// What both boards live in: time, the day's sensors, troubles, chance.
struct World {
    Feed feed;
    std::vector<Trouble> troubles;
    std::mt19937_64 chance;
    double now = 0.0;          // true seconds
    double angle_noise = 0.5;  // of an encoder [counts]

    bool wrong(const char* kind, const std::string& subject = "") const {
        for (const Trouble& t : troubles) {
            if (t.kind == kind && t.at(now) && (subject.empty() || t.subject == subject)) return true;
        }
        return false;
    }
    double normal() { return std::normal_distribution<double>()(chance); }
    double uniform() { return std::uniform_real_distribution<double>()(chance); }
};

// The card's file on the host. A write takes time, much of it where the card stalls; what it does not finish
// before the power goes is written in part.
class EmulatedCard {
  public:
    EmulatedCard(World& world, FILE* file, uint32_t blocks) : world_(world), file_(file), blocks_(blocks) {}

    // The card task begins at the board's time `now` with power that goes at true time `dark`.
    void begin(uint64_t now, double dark) {
        started_ = now;
        spent_ = 0.0;
        dark_ = dark;
    }
    double spent() const { return spent_; }

    uint64_t now_us() { return started_ + uint64_t(spent_ * 1e6); }
    uint32_t blocks() const { return blocks_; }

    Status write_block(uint32_t number, const uint8_t* from) {
        if (number >= blocks_) return Status::storage;
        double takes = 0.0008 + 0.0012 * world_.uniform();
        const double t = world_.now + spent_;
        for (const Trouble& trouble : world_.troubles) {
            if (trouble.kind == "card stall" && trouble.at(t)) takes += trouble.end - t;
        }
        size_t bytes = car::card_block_bytes;
        if (t >= dark_)
            bytes = 0;
        else if (t + takes > dark_)
            bytes = size_t((dark_ - t) / takes * double(bytes)) / 512 * 512;
        spent_ += takes;
        if (fseek(file_, long(number) * long(car::card_block_bytes), SEEK_SET) != 0) return Status::storage;
        return fwrite(from, 1, bytes, file_) == bytes ? Status::ok : Status::storage;
    }
    Status read_block(uint32_t number, uint8_t* to) {
        spent_ += 0.0005;
        if (number >= blocks_ || fseek(file_, long(number) * long(car::card_block_bytes), SEEK_SET) != 0) {
            return Status::storage;
        }
        return fread(to, 1, car::card_block_bytes, file_) == car::card_block_bytes ? Status::ok
                                                                                   : Status::storage;
    }

  private:
    World& world_;
    FILE* file_;
    uint32_t blocks_;
    uint64_t started_ = 0;
    double spent_ = 0.0;
    double dark_ = nowhere;
};

// Memory that keeps through a power cut.
struct EmulatedStore {
    std::vector<uint8_t> slots[2];

    Status write(int slot, const uint8_t* bytes, size_t size) {
        slots[slot].assign(bytes, bytes + size);
        return Status::ok;
    }
    size_t read(int slot, uint8_t* bytes, size_t capacity) {
        const size_t size = slots[slot].size() < capacity ? slots[slot].size() : capacity;
        std::copy_n(slots[slot].begin(), size, bytes);
        return size;
    }
};

// What a board keeps while it is off.
struct Lasting {
    EmulatedStore store;
    uint16_t starts = 0;
    uint32_t safe_commands = 0;  // commands that went to an actuator from its failsafe
    uint32_t bold_commands = 0;  // commands with power that did not
    uint32_t stale_drives =
        0;  // of these, with a radio that had been silent for too long: there must be none
};

// The platform of firmware.hpp.
class Machine {
  public:
    using Card = EmulatedCard;

    // rate: of its clock against true time [1].
    Machine(World& world, Lasting& lasting, FILE* card, uint32_t blocks, double rate, uint8_t cause)
        : world_(world),
          lasting_(lasting),
          card_(world, card, blocks),
          rate_(rate),
          cause_(cause),
          born_(world.now) {
        ++lasting.starts;
        cursors_.assign(world.feed.streams.size(), 0);
        for (size_t s = 1; s < world.feed.streams.size(); ++s) {
            const std::vector<double>& times = world.feed.streams[s].times;
            cursors_[s] =
                size_t(std::lower_bound(times.begin(), times.end(), world.now - 0.006) - times.begin());
        }
        for (size_t which = 0; which < car::value_count; ++which)
            places_.push_back(place_of(car::value_table[which]));
        seen_.assign(car::value_count, SIZE_MAX);
    }

    // Solder an encoder to the SPI: the column of the turned angles that it sees (-1: nothing turns), and its
    // bits.
    void add_encoder(const std::string& wheel, unsigned bits) {
        const std::vector<std::string>& names = world_.feed.streams[0].names;
        const auto found = std::find(names.begin(), names.end(), wheel);
        encoders_.push_back({found == names.end() ? -1 : int(found - names.begin()), bits, wheel, 0});
        answers_.push_back(0);
    }

    uint64_t now_us() { return 1 + uint64_t((world_.now - born_) * (1.0 + rate_) * 1e6); }

    // An encoder behind the SPI: it answers each frame in the next one, with the angle at this one's end.
    uint16_t spi16(size_t which, uint16_t command) {
        const uint16_t answer = answers_[which];
        answers_[which] = 0;
        if ((command & fifthwheel::encoder_data) == fifthwheel::encoder_angle_address) {
            answers_[which] = with_parity(count_of(which));
        }
        return answer;
    }

    // The newest reading of a channel that came since it was asked for last.
    bool sensor(size_t which, double* value) {
        const Place place = places_[which];
        if (place.stream == 0) return false;
        const Stream& stream = world_.feed.streams[place.stream];
        size_t& k = cursors_[place.stream];
        while (k < stream.times.size() && stream.times[k] <= world_.now) ++k;
        if (k == 0 || seen_[which] == k) return false;
        seen_[which] = k;
        *value = stream.at(k - 1, place.column);
        const bool by_radio = place.radio && world_.wrong("radio loss");
        return !by_radio && !std::isnan(*value) && world_.now - stream.times[k - 1] < 1.0;
    }

    void link_write(const uint8_t* bytes, size_t count) { sent_.emplace_back(bytes, bytes + count); }
    std::vector<std::vector<uint8_t>> take_sent() { return std::exchange(sent_, {}); }

    size_t phone_read(uint8_t* bytes, size_t room) {
        size_t count = 0;
        while (count < room && !phone_in_.empty()) {
            bytes[count++] = phone_in_.front();
            phone_in_.pop_front();
        }
        return count;
    }
    void phone_write(const uint8_t* bytes, size_t count) {
        phone_out_.insert(phone_out_.end(), bytes, bytes + count);
    }
    void phone_came(const uint8_t* bytes, size_t count) {
        phone_in_.insert(phone_in_.end(), bytes, bytes + count);
    }
    std::vector<uint8_t> take_phone() { return std::exchange(phone_out_, {}); }

    void pulse(size_t, const fifthwheel::FailsafeOutput& out) {
        ++(out.safe ? lasting_.safe_commands : lasting_.bold_commands);
        double silent = 0.0;
        for (const Trouble& t : world_.troubles) {
            if (t.kind == "radio loss" && t.at(world_.now)) silent = world_.now - t.start;
        }
        if (!out.safe && silent > 1e-6 * car_radio_stale + 0.01) ++lasting_.stale_drives;
    }
    bool brown_out() { return false; }
    void alive() { alive_ = world_.now; }
    double last_alive() const { return alive_; }
    uint16_t boot() { return lasting_.starts; }
    uint8_t reset_cause() { return cause_; }
    uint64_t random() { return world_.chance(); }
    EmulatedCard& card() { return card_; }
    EmulatedStore& store() { return lasting_.store; }

    static constexpr double car_radio_stale = 200000.0;

  private:
    struct Place {
        size_t stream = 0;  // 0: nowhere
        size_t column = 0;
        bool radio = false;
    };

    Place place_of(const std::string& name) const {
        for (size_t s = 1; s < world_.feed.streams.size(); ++s) {
            const std::vector<std::string>& names = world_.feed.streams[s].names;
            for (size_t c = 0; c < names.size(); ++c) {
                if (names[c] == name) {
                    return {
                        s, c,
                        name == "throttle" || name == "brake" || name == "steer" || name == "steer_command"};
                }
            }
        }
        return {};
    }

    static uint16_t with_parity(uint16_t data) {
        return fifthwheel::even_ones(data) ? data : uint16_t(data | 0x8000U);
    }

    uint16_t count_of(size_t which) {
        Encoder& encoder = encoders_[which];
        if (encoder.column < 0) return 0;
        double t = world_.now;
        for (const Trouble& trouble : world_.troubles) {
            if (trouble.kind == "encoder stuck" && trouble.subject == encoder.wheel && trouble.at(t))
                t = trouble.start;
        }
        const double angle = world_.feed.streams[0].between(t, size_t(encoder.column), &encoder.hint);
        const double counts = double(1U << encoder.bits);
        const double noisy =
            std::floor(angle / 6.283185307179586 * counts + world_.angle_noise * world_.normal());
        return uint16_t(int64_t(noisy) & int64_t((1U << encoder.bits) - 1U));
    }

    struct Encoder {
        int column;
        unsigned bits;
        std::string wheel;
        size_t hint;
    };

    World& world_;
    Lasting& lasting_;
    EmulatedCard card_;
    double rate_;
    uint8_t cause_;
    double born_;
    double alive_ = 0.0;
    std::vector<size_t> cursors_;
    std::vector<Encoder> encoders_;
    std::vector<uint16_t> answers_;
    std::vector<Place> places_;
    std::vector<size_t> seen_;
    std::vector<std::vector<uint8_t>> sent_;
    std::deque<uint8_t> phone_in_;
    std::vector<uint8_t> phone_out_;
};

}  // namespace desk
