// The program of one board of a car, against a thin interface to the platform (platform.hpp).
//
// Everything that belongs to the car comes from its generated headers: which encoders this board reads, what
// it sends and records, what it moves. A kernel calls sample(), serve_link(), record(), drive() and
// run_card() each from a task of its own at the periods of Map; received() and cut() from the interrupt of
// the link's port. What tasks share goes through Share or a queue of one writer and one reader, so nobody
// waits for anybody; every other member belongs to one task, which is named beside it.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/block.hpp>
#include <fifthwheel/failsafe.hpp>
#include <fifthwheel/link.hpp>
#include <fifthwheel/settings.hpp>
#include <fifthwheel/share.hpp>
#include <fifthwheel/wheel.hpp>

#include "boards.hpp"
#include "link_map.hpp"
#include "log_map.hpp"
#include "settings_map.hpp"
#include "values.hpp"

namespace fifthwheel::car {

// Bytes on their way from the port's interrupt to the link's task: one writer, one reader, nobody waits.
// What finds no room, and what the port itself lost, is told by the next byte that comes.
template <uint32_t room>
class PortQueue {
    static_assert((room & (room - 1)) == 0, "a power of two, so that places go on when the counters wrap");

  public:
    // From the interrupt. time: low 32 bits of the board's microseconds.
    void put(uint8_t byte, uint32_t time) {
        const uint32_t at = __atomic_load_n(&put_, __ATOMIC_RELAXED);
        if (at - __atomic_load_n(&taken_, __ATOMIC_ACQUIRE) >= room) {
            cut_ = true;
            return;
        }
        places_[at % room] = {time, byte, cut_};
        cut_ = false;
        __atomic_store_n(&put_, at + 1U, __ATOMIC_RELEASE);
    }
    void cut() { cut_ = true; }

    // From the task: the oldest byte, and whether some were lost before it; false when there is none.
    bool take(uint8_t* byte, uint32_t* time, bool* cut) {
        const uint32_t at = __atomic_load_n(&taken_, __ATOMIC_RELAXED);
        if (__atomic_load_n(&put_, __ATOMIC_ACQUIRE) == at) return false;
        const Place& place = places_[at % room];
        *byte = place.byte;
        *time = place.time;
        *cut = place.cut;
        __atomic_store_n(&taken_, at + 1U, __ATOMIC_RELEASE);
        return true;
    }

  private:
    struct Place {
        uint32_t time;
        uint8_t byte;
        bool cut;
    };
    Place places_[room];
    uint32_t put_ = 0;
    uint32_t taken_ = 0;
    bool cut_ = false;  // the interrupt's
};

// Room for what comes while the link's task is late by a period, and a little more.
constexpr uint32_t port_room(uint32_t baud, uint32_t period_us) {
    const uint64_t bytes = 2 * uint64_t(baud) / 10 * period_us / 1000000 + 64;
    uint32_t room = 64;
    while (room < bytes) room *= 2;
    return room;
}

// The latest of the other board, and when a frame of its layout came last [us], 0 for never.
struct Heard {
    Values values;
    uint64_t at = 0;
};

// How the link does, as its task tells the others.
struct LinkTold {
    uint64_t time;
    LinkCounts counts;
    ClockState clock;
};

template <typename Map, typename Platform>
class Firmware {
  public:
    using Card = typename Platform::Card;
    static constexpr size_t channels = value_count > 0 ? value_count : 1;
    static constexpr size_t encoders = Map::encoder_count > 0 ? Map::encoder_count : 1;
    static constexpr size_t actuators = Map::actuator_count > 0 ? Map::actuator_count : 1;

    explicit Firmware(Platform& platform)
        : platform_(platform),
          sensed_(Values{}),
          heard_(Heard{}),
          told_(LinkTold{}),
          settings_(layout_hash),
          link_({layout_hash, platform.boot(), platform.reset_cause(), link_version}, link_baud),
          phone_({layout_hash, platform.boot(), platform.reset_cause(), link_version}),
          writer_(platform.card(),
                  {platform.card().blocks(), layout_text, layout_bytes, layout_hash, 256, 20000}) {
        for (size_t k = 0; k < encoders; ++k) options_[k].bits = Map::encoder[k].bits;
        const auto cause = platform.reset_cause() == 1 ? Trouble::brown_out : Trouble::reboot;
        for (size_t k = 0; k < actuators; ++k) {
            const uint32_t silence = Map::actuator[k].link_us;
            const FailsafeInput inputs[2] = {{Trouble::radio_loss, radio_stale_us},
                                             {Trouble::link_loss, silence > 0 ? silence : link_stale_us}};
            guard_[k] = Guard{Failsafe<2>(Map::actuator[k].failsafe, inputs, cause)};
        }
    }

    // Before any task runs: settings from their store, the card's recording.
    Status start() {
        settings_.load(platform_.store(), uint32_t(platform_.now_us()));
        if constexpr (Map::has_card) return writer_.resume(platform_.random(), platform_.reset_cause());
        return Status::ok;
    }

    // Every Map::sample_us: read the encoders and whatever else has something new.
    void sample() {
        const uint64_t now = platform_.now_us();
        for (size_t k = 0; k < Map::encoder_count; ++k) read_encoder(k, now);
        for (size_t k = 0; k < Map::sampled_count; ++k) {
            double value = 0.0;
            if (platform_.sensor(Map::sampled[k], &value)) put_value(own_, Map::sampled[k], value, now);
        }
        sensed_.write(own_);
    }

    // Interrupt of the link's port: bytes that came at `now`, or a byte without its stop bit.
    void received(const uint8_t* bytes, size_t count, uint64_t now) {
        for (size_t k = 0; k < count; ++k) port_.put(bytes[k], uint32_t(now));
    }
    void cut() { port_.cut(); }

    // Every Map::link_us: take what came, send what is due, answer what was asked.
    void serve_link() {
        hear();
        const uint64_t now = platform_.now_us();
        Values known;
        sensed_.template read<0>(known);
        uint8_t out[frame_room > link_core_room ? frame_room : link_core_room];
        size_t size = 0;
        if (now >= greet_at_) {
            greet_at_ = now + 1000000;
            if (link_.hello(now, out, &size) == Status::ok) platform_.link_write(out, size);
            if (link_.tell_counts(now, out, &size) == Status::ok) platform_.link_write(out, size);
        }
        if (now >= ask_at_) {
            ask_at_ = now + 500000;
            told_.write({now, link_.receiver().counts(), link_.clock().at(now)});
            if (link_.ask(platform_.now_us(), out, &size) == Status::ok) platform_.link_write(out, size);
        }
        if (link_.asked() && link_.answer(platform_.now_us(), out, &size) == Status::ok) {
            platform_.link_write(out, size);
        }
        each_frame([&](auto frame) {
            using Frame = decltype(frame);
            if constexpr (Frame::source == Map::board) {
                if (!due(Frame::frame_type, Frame::rate_hz, known, now)) return;
                fill(frame, known, oldest(now, Frame::rate_hz));
                const uint64_t made = newest(frame, known);  // the stamp says how old the values are
                if (send_frame<Map::board>(link_.sender(), frame, made > 0 ? made : now, out, &size) ==
                    Status::ok) {
                    platform_.link_write(out, size);
                }
            }
        });
        serve_phone(now);
    }

    // Every Map::record_us: hand to the card what is due.
    void record() {
        if constexpr (Map::has_card) {
            const uint64_t now = platform_.now_us();
            Values known;
            Heard other;
            sensed_.template read<1>(known);
            heard_.template read<0>(other);
            merge(known, other.values);
            each_record([&](auto row) {
                using Row = decltype(row);
                if constexpr (Row::board == Map::board) {
                    uint64_t made = 0;
                    if (!log_due(Row::record_id, Row::rate_hz, known, now, &made)) return;
                    row.time = uint32_t(made);
                    fill(row, known, oldest(made, Row::rate_hz));
                    log_record<Map::board>(writer_, row);
                }
            });
        }
    }

    // Every Map::drive_us: move the actuators, or make them safe; then the watchdog knows that this board
    // lives.
    void drive() {
        const uint64_t now = platform_.now_us();
        Values known;
        Heard other;
        sensed_.template read<2>(known);
        heard_.template read<1>(other);
        merge(known, other.values);
        for (size_t k = 0; k < Map::actuator_count; ++k) {
            const size_t asked = Map::actuator[k].asked;
            const uint64_t made[2] = {asked == no_value ? 0 : known.made[asked],
                                      Map::actuator[k].link_us > 0 ? other.at : now};
            const float value = asked == no_value ? 0.0F : float(get_value(known, asked));
            platform_.pulse(k, guard_[k].failsafe.command(value, now, made, platform_.brown_out()));
        }
        platform_.alive();
    }

    // Every Map::card_us: write what waits; now and then what is only begun, and how card, clocks and link
    // do.
    void run_card() {
        if constexpr (Map::has_card) {
            const uint64_t now = platform_.card().now_us();
            SettingChange change{};
            while (settings_.changed(change)) {
                SettingChangedRecord row{};
                row.time = change.time;
                row.setting = change.setting;
                row.before = change.before;
                row.after = change.after;
                row.source = uint8_t(change.source);
                keep(writer_.note(SettingChangedRecord::record_id, row));
                store_ = true;
            }
            if (store_) {
                store_ = false;
                keep(settings_.save(platform_.store()));
            }
            if (now >= tell_at_) {
                tell_at_ = now + 1000000;
                tell_state(now);
            }
            if (now >= sync_at_) {
                sync_at_ = now + Map::sync_us;
                keep(writer_.sync());
            } else {
                keep(writer_.step());
            }
        }
    }

    const Link<largest_payload>& link() const { return link_; }
    uint32_t card_failures() const { return failures_; }
    const BoardSettings& settings() const { return settings_; }
    uint16_t recording_boot() const { return writer_.boot(); }

  private:
    static constexpr size_t link_core_room = Link<largest_payload>::core_room;

    // Age limit of what goes into a frame or record at `made`: two and a half periods, or that of the link.
    static uint64_t oldest(uint64_t made, float rate) {
        const auto periods = rate > 0.0F ? uint64_t(2.5e6F / rate) : uint64_t(0);
        const uint64_t limit = periods > link_stale_us ? periods : link_stale_us;
        return made > limit ? made - limit : 1;
    }

    // The answer to a frame comes in the next one: two in a row give the angle of this moment.
    void read_encoder(size_t k, uint64_t now) {
        EncoderFrames& frames = frames_[k];
        uint16_t angle = 0;
        Status status = frames.take(platform_.spi16(k, frames.command()), angle);
        status = frames.take(platform_.spi16(k, frames.command()), angle);
        if (status != Status::ok) return;
        if (!running_[k]) {
            wheels_[k].speed = WheelSpeed<float>(options_[k]);
            running_[k] = true;
        }
        if (wheels_[k].speed.update(angle, uint32_t(now)) == Status::bad_argument) return;
        const EncoderKind& kind = Map::encoder[k];
        const double part = 6.283185307179586 / double(uint32_t(1) << kind.bits);
        if (kind.angle != no_value) put_value(own_, kind.angle, part * angle, now);
        if (kind.speed != no_value) put_value(own_, kind.speed, double(wheels_[k].speed.speed()), now);
        if (kind.turned != no_value)
            put_value(own_, kind.turned, part * double(wheels_[k].speed.turned()), now);
    }

    // Take the bytes that came, each at its own time, and deal with their frames.
    void hear() {
        uint8_t byte = 0;
        uint32_t came = 0;
        bool cut = false;
        while (port_.take(&byte, &came, &cut)) {
            const uint64_t now = platform_.now_us();
            const uint64_t at = now - uint32_t(uint32_t(now) - came);
            if (cut) static_cast<void>(link_.cut(at));
            if (link_.take(byte, at) == LinkEvent::frame) deal(link_.receiver().frame(), at);
        }
    }

    // What a frame brings is as old as its stamp says, once the other board's clock is known.
    void deal(const LinkFrame& frame, uint64_t now) {
        uint64_t made = now;
        const ClockState clock = link_.clock().at(now);
        if (clock.known) {
            const auto age = int32_t(uint32_t(now) + uint32_t(uint64_t(clock.offset_us)) - frame.time);
            if (age > 0 && uint64_t(age) < now) made = now - uint64_t(age);
        }
        each_frame([&](auto kind) {
            using Frame = decltype(kind);
            if constexpr (Frame::target == Map::board) {
                if (take_frame<Map::board>(frame, &kind) == Status::ok) {
                    take(kind, came_.values, made);
                    came_.at = now;
                }
            }
        });
        if (frame.is(LinkType::setting_write) || frame.is(LinkType::setting_read)) {
            uint8_t reply[setting_reply_size];
            if (answer_setting(settings_, frame.type, frame.payload, frame.size, uint32_t(now), reply) ==
                Status::ok) {
                uint8_t out[link_core_room];
                size_t size = 0;
                if (link_.sender().send(LinkType::setting_reply, SettingReply::get(reply), now, out, &size) ==
                    Status::ok) {
                    platform_.link_write(out, size);
                }
            }
        }
        heard_.write(came_);
    }

    // A frame is due when its channel has come anew, or at its own rate.
    bool due(uint8_t type, float rate, const Values& known, uint64_t now) {
        const size_t by = release_of(frame_release_table, frame_release_count, type);
        if (by != no_value) {
            if (known.made[by] == 0 || known.made[by] == sent_[type]) return false;
            sent_[type] = known.made[by];
            return true;
        }
        const auto period = uint64_t(1e6F / rate);
        if (now < sent_[type]) return false;
        sent_[type] = sent_[type] + period > now ? sent_[type] + period : now + period;
        return true;
    }

    // A record is due when its channel has come anew, and again when it has not for a period and a half.
    bool log_due(uint8_t id, float rate, const Values& known, uint64_t now, uint64_t* made) {
        const size_t by = release_of(record_release_table, record_release_count, id);
        const auto period = uint64_t(1e6F / rate);
        uint64_t& last = logged_[id];
        if (by != no_value && known.made[by] > last) {
            *made = known.made[by];
        } else if (by != no_value ? (now > last + period + period / 2 + link_stale_us)
                                  : (now >= last + period)) {
            *made = now;
        } else {
            return false;
        }
        last = by == no_value && last + 2 * period > now ? last + period : *made;
        return true;
    }

    // The phone may ask for settings and change them; the other board is told of every change.
    void serve_phone(uint64_t now) {
        uint8_t bytes[64];
        const size_t count = platform_.phone_read(bytes, sizeof bytes);
        for (size_t k = 0; k < count; ++k) {
            if (phone_reader_.take(bytes[k], now) != LinkEvent::frame) continue;
            const LinkFrame frame = phone_reader_.frame();
            uint8_t reply[setting_reply_size];
            if (answer_setting(settings_, frame.type, frame.payload, frame.size, uint32_t(now), reply) !=
                Status::ok) {
                continue;
            }
            uint8_t out[link_core_room];
            size_t size = 0;
            if (phone_.send(LinkType::setting_reply, SettingReply::get(reply), now, out, &size) ==
                Status::ok) {
                platform_.phone_write(out, size);
            }
            if (frame.is(LinkType::setting_write) && reply[2] == uint8_t(Status::ok) &&
                link_.sender().send(LinkType::setting_write, SettingWrite::get(frame.payload), now, out,
                                    &size) == Status::ok) {
                platform_.link_write(out, size);
            }
        }
    }

    void tell_state(uint64_t now) {
        const CardState card = writer_.state();
        keep(writer_.note(card_state_id, card));
        LinkTold told{};
        if (told_.template read<0>(told) == 0) return;
        const LinkCounts& counts = told.counts;
        LinkStateRecord link{};
        link.time = uint32_t(now);
        link.received = counts.received;
        link.lost = counts.lost;
        link.bad = counts.bad;
        link.late = counts.late;
        link.other_layout = counts.other_layout;
        keep(writer_.note(LinkStateRecord::record_id, link));
        const ClockState& clock = told.clock;
        if (!clock.known) return;
        ClockStateRecord row{};
        row.time = uint32_t(told.time);
        row.offset_us = double(clock.offset_us);
        row.rate_ppm = clock.rate_ppm;
        row.uncertainty_us = clock.uncertainty_us;
        keep(writer_.note(ClockStateRecord::record_id, row));
    }

    void keep(Status status) { failures_ += status == Status::ok ? 0U : 1U; }

    struct Meter {
        WheelSpeed<float> speed{WheelOptions<float>{}};
    };
    struct Guard {
        Failsafe<2> failsafe{FailsafeActuator{}, no_inputs, Trouble::reboot};
    };
    static constexpr FailsafeInput no_inputs[2] = {{Trouble::radio_loss, radio_stale_us},
                                                   {Trouble::link_loss, link_stale_us}};

    Platform& platform_;
    PortQueue<port_room(link_baud, Map::link_us)> port_;  // interrupt to link task
    Share<Values, 3> sensed_;                             // sampling task to link, record, drive
    Share<Heard, 2> heard_;                               // link task to record, drive
    Share<LinkTold, 1> told_;                             // link task to card
    BoardSettings settings_;                              // changed by the link task, stored by the card's

    // The sampling task's.
    Values own_;
    WheelOptions<float> options_[encoders];
    Meter wheels_[encoders];
    EncoderFrames frames_[encoders];
    bool running_[encoders] = {};

    // The link task's.
    Link<largest_payload> link_;
    LinkSender phone_;
    LinkReceiver<largest_core_payload> phone_reader_{layout_hash};
    Heard came_;
    uint64_t sent_[256] = {};
    uint64_t greet_at_ = 0;
    uint64_t ask_at_ = 100000;

    // The record task's: when it recorded what. It puts records into the writer's ring, and nothing else.
    uint64_t logged_[256] = {};

    // The drive task's.
    Guard guard_[actuators];

    // The card task's.
    BlockWriter<Card, Map::has_card ? card_block_bytes : block_sector, Map::has_card ? card_ring_bytes : 64>
        writer_;  // as small as can be on a board without a card
    uint64_t tell_at_ = 1000000;
    uint64_t sync_at_ = 0;
    uint32_t failures_ = 0;
    bool store_ = false;
};

}  // namespace fifthwheel::car
