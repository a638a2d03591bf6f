// A pointer is not a record.
#include <fifthwheel/block.hpp>

struct Card {
    fifthwheel::Status write_block(uint32_t, const uint8_t*) { return fifthwheel::Status::ok; }
    fifthwheel::Status read_block(uint32_t, uint8_t*) { return fifthwheel::Status::ok; }
    uint64_t now_us() const { return 0; }
};
struct Row {
    uint32_t time;
};

int main() {
    Card card;
    fifthwheel::BlockWriter<Card, 512, 1024> writer(card, fifthwheel::CardSettings{});
    Row row{};
    return writer.log(1, &row) ? 0 : 1;
}
