// Calls of the link whose cost is counted: a frame of 40 bytes each way (65 bytes on the wire with COBS and
// delimiters at most), the clock of the other board.
#include <fifthwheel/link.hpp>

namespace fw = fifthwheel;

namespace {
struct __attribute__((packed)) Frame {
    static constexpr uint8_t frame_type = 16;
    uint32_t time;
    float value[9];
};
fw::Link<64> here({1, 1, 0}, 1000000);
uint64_t now = 1000000;
Frame frame{};
uint8_t wire[fw::link_bound(sizeof(Frame))];
uint8_t core[fw::Link<64>::core_room];
size_t size = 0;
volatile bool good = false;
volatile float sink = 0.0F;
}  // namespace

extern "C" {
void cost_crc_64() {
    const uint8_t bytes[64] = {uint8_t(now)};
    sink = float(fw::crc32(bytes, sizeof bytes));
}
void cost_link_send() {
    now += 5000;
    ++frame.time;
    good = here.sender().send(frame, now, wire, &size) == fw::Status::ok;
}
// The frame that was sent last comes back.
void cost_link_take() {
    for (size_t k = 0; k < size; ++k) good = here.take(wire[k], now) == fw::LinkEvent::frame;
}
// A question, its answer from a twin that counts the same, and what is taken from it.
void cost_link_clock() {
    now += 1000000;
    good = here.ask(now, core, &size) == fw::Status::ok;
    for (size_t k = 0; k < size; ++k) good = here.take(core[k], now + 500) == fw::LinkEvent::frame;
    good = here.answer(now + 600, core, &size) == fw::Status::ok;
    for (size_t k = 0; k < size; ++k) good = here.take(core[k], now + 1100) == fw::LinkEvent::frame;
}
void cost_link_clock_at() { sink = here.clock().at(now + 2000).bound_us; }
}
