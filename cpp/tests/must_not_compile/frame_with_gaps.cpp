// A structure with gaps for alignment is not what goes over the wire.
#include <fifthwheel/link.hpp>

struct Frame {
    static constexpr uint8_t frame_type = 16;
    uint8_t gear;
    uint32_t count;
};

int main() {
    fifthwheel::LinkSender sender({1, 1, 0});
    uint8_t out[64];
    size_t size = 0;
    return sender.send(Frame{1, 2}, 0, out, &size) == fifthwheel::Status::ok ? 0 : 1;
}
