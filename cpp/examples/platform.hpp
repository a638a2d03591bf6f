// What a board's program asks of its platform, and a stand-in that does nothing, for the host. Copy it and
// put your platform's calls in; no other file needs to know what microcontroller it is.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/bytes.hpp>
#include <fifthwheel/failsafe.hpp>
#include <fifthwheel/status.hpp>

#include "log_map.hpp"

namespace fifthwheel::car {

// The card's preallocated file, here a few blocks of memory. These calls may take long: only the card task
// makes them.
struct StubCard {
    static constexpr uint32_t count = 16;

    Status write_block(uint32_t number, const uint8_t* from) {
        if (number >= count) return Status::storage;
        copy_bytes(bytes_[number], from, card_block_bytes);
        return Status::ok;
    }
    Status read_block(uint32_t number, uint8_t* to) {
        if (number >= count) return Status::storage;
        copy_bytes(to, bytes_[number], card_block_bytes);
        return Status::ok;
    }
    uint64_t now_us() { return now_; }         // as the board's
    uint32_t blocks() const { return count; }  // in the file
    void set_now(uint64_t now) { now_ = now; }

  private:
    uint64_t now_ = 0;
    uint8_t bytes_[count][card_block_bytes] = {};
};

// Two places that keep a small image through a power cut.
struct StubStore {
    Status write(int, const uint8_t*, size_t) { return Status::ok; }
    size_t read(int, uint8_t*, size_t) { return 0; }
};

class StubPlatform {
  public:
    using Card = StubCard;

    // Timer: microseconds since this board started, never backwards.
    uint64_t now_us() { return now_; }
    void wait_us(uint64_t time) {
        now_ += time;
        card_.set_now(now_);
    }

    // SPI: exchange 16 bits with encoder `which` (its chip select is in pins.hpp).
    uint16_t spi16(size_t, uint16_t) { return 0; }

    // Driver of any other sensor: the new value of channel `which` in SI; false when there is none since the
    // last call.
    bool sensor(size_t, double*) { return false; }

    // UART of the link: bytes to send; they go out by interrupt. What comes in goes to Firmware::received.
    void link_write(const uint8_t*, size_t) {}

    // The phone's byte stream, over whatever radio there is. On a board without one both do nothing.
    size_t phone_read(uint8_t*, size_t) { return 0; }
    void phone_write(const uint8_t*, size_t) {}

    // PWM: what actuator `which` gets. Without power: no pulses, stage disabled.
    void pulse(size_t, const FailsafeOutput&) {}

    // Supply below its limit at present; watchdog; starts of this board so far; why it started (1:
    // brown-out).
    bool brown_out() { return false; }
    void alive() {}
    uint16_t boot() { return 1; }
    uint8_t reset_cause() { return 0; }
    uint64_t random() { return 1; }

    StubCard& card() { return card_; }
    StubStore& store() { return store_; }

  private:
    uint64_t now_ = 0;
    StubCard card_;
    StubStore store_;
};

// Stands in for a kernel: calls each part of a program when its period is over, one after the other.
template <typename Map, typename Program>
void run_for(StubPlatform& platform, Program& program, uint64_t duration_us) {
    for (uint64_t t = 0; t < duration_us; t += 1000) {
        if (t % Map::sample_us == 0) program.sample();
        if (t % Map::link_us == 0) program.serve_link();
        if (t % Map::record_us == 0) program.record();
        if (t % Map::drive_us == 0) program.drive();
        if (t % Map::card_us == 0) program.run_card();
        platform.wait_us(1000);
    }
}

}  // namespace fifthwheel::car
