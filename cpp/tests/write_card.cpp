// Host program of the card tests: writes a card image with the writer of block.hpp, by a script on standard
// input.
//
//   write_card IMAGE BLOCK_BYTES BLOCKS LAYOUT_FILE LAYOUT_HASH < script > accepted
//
// Script, a word and its numbers a line:
//
//   begin ID CAUSE, resume ID CAUSE   a boot: the board's time starts at 1000 us
//   time US                           set the board's time
//   run ROWS SYNC                     ROWS fast rows 5 ms apart, a slow one with every 10th; sync by SYNC
//   stall US                          the next write takes that long, while the control loop goes on
//   fail WRITES                       that many writes fail
//   reject WRITES                     they fail, but what was written is on the card
//   cut BYTES                         power goes away once BYTES more have been written
//   note                              the card task notes its own state
//
// Output: "fast BOOT TIME N" and "slow BOOT TIME N" for every record taken into the ring, "lost BOOT COUNT",
// "state" with its five numbers, "status WORD CODE".
#include <cstdio>
#include <cstdlib>
#include <fifthwheel/block.hpp>
#include <fstream>
#include <iostream>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

namespace fw = fifthwheel;

namespace {

#pragma pack(push, 1)
struct Fast {
    uint32_t time;
    int16_t a;
    uint16_t b;
    float c;
    uint32_t n;
};
struct Slow {
    uint32_t time;
    double x;
    uint8_t y;
    int64_t z;
    int8_t w;
    uint32_t n;
};
#pragma pack(pop)
static_assert(sizeof(Fast) == 16 && sizeof(Slow) == 26, "as in the layout text of the tests");
constexpr uint32_t step_us = 5000;

Fast fast_of(uint32_t time, uint32_t n) {
    return {time, int16_t(n % 997 == 0 ? -32768 : int(n * 7U % 60000U) - 30000),
            uint16_t(n % 499 == 0 ? 65535U : n * 11U), float(n) * 0.25F, n};
}
Slow slow_of(uint32_t time, uint32_t n) {
    return {time, double(n) * 1e-3, uint8_t(n), int64_t(n) * -1000003, int8_t(n), n};
}

struct Loop;

struct Card {
    std::FILE* file = nullptr;
    size_t bytes = 0;
    uint64_t now = 0;
    long cut = -1;  // bytes until the power goes away
    bool dead = false;
    uint64_t stall = 0;
    int fail = 0;
    int reject = 0;
    Loop* loop = nullptr;

    fw::Status write_block(uint32_t number, const uint8_t* from);
    fw::Status read_block(uint32_t number, uint8_t* to) {
        std::fseek(file, long(number) * long(bytes), SEEK_SET);
        return std::fread(to, bytes, 1, file) == 1 ? fw::Status::ok : fw::Status::storage;
    }
    uint64_t now_us() const { return now; }
};

struct Loop {
    virtual ~Loop() = default;
    virtual void until(uint64_t time) = 0;
};

fw::Status Card::write_block(uint32_t number, const uint8_t* from) {
    if (dead) return fw::Status::storage;
    if (stall > 0) {
        const uint64_t end = now + stall;
        stall = 0;
        loop->until(end);
    }
    now += 700;
    if (fail > 0) {
        --fail;
        return fw::Status::storage;
    }
    size_t size = bytes;
    if (cut >= 0 && size_t(cut) <= size) {
        size = size_t(cut);
        dead = true;
    } else if (cut >= 0) {
        cut -= long(size);
    }
    std::fseek(file, long(number) * long(bytes), SEEK_SET);
    if (std::fwrite(from, 1, size, file) != size) std::abort();
    if (dead) return fw::Status::storage;
    if (reject > 0) {
        --reject;
        return fw::Status::storage;
    }
    return fw::Status::ok;
}

template <size_t Bytes, size_t Ring>
struct Boot : Loop {
    fw::BlockWriter<Card, Bytes, Ring> writer;
    Card& card;
    uint64_t next = 0;
    uint32_t n = 0;
    uint32_t goal = 0;

    Boot(Card& c, const fw::CardSettings& s) : writer(c, s), card(c) { c.loop = this; }

    void row() {
        if (writer.log(1, fast_of(uint32_t(next), n))) {
            std::printf("fast %u %llu %u\n", unsigned(writer.boot()), static_cast<unsigned long long>(next),
                        n);
        }
        if (n % 10 == 0 && writer.log(2, slow_of(uint32_t(next) + 1U, n))) {
            std::printf("slow %u %llu %u\n", unsigned(writer.boot()),
                        static_cast<unsigned long long>(next + 1), n);
        }
        ++n;
        next += step_us;
    }
    void until(uint64_t time) override {
        while (next <= time && n < goal) row();
        if (card.now < time) card.now = time;
    }
    void run(uint32_t rows, uint32_t sync) {
        goal = n + rows;
        while (n < goal && !card.dead) {
            const uint32_t before = n;
            until(next);
            const fw::Status status = n / sync != before / sync ? writer.sync() : writer.step();
            if (status != fw::Status::ok && status != fw::Status::storage) {
                std::printf("status run %d\n", int(status));
                return;
            }
        }
    }
};

template <size_t Bytes, size_t Ring>
int work(Card& card, const fw::CardSettings& settings) {
    std::unique_ptr<Boot<Bytes, Ring>> boot;
    const auto told = [&](const char* word, fw::Status status) {
        std::printf("status %s %d\n", word, int(status));
    };
    const auto end = [&] {
        if (!boot) return;
        if (!card.dead) told("sync", boot->writer.sync());
        std::printf("lost %u %u\n", unsigned(boot->writer.boot()),
                    unsigned(boot->writer.state().lost_records));
    };
    std::string line;
    while (std::getline(std::cin, line)) {
        std::istringstream words(line);
        std::string word;
        unsigned long long a = 0;
        unsigned long long b = 0;
        words >> word >> a >> b;
        if (word == "begin" || word == "resume") {
            end();
            card.now = 1000;
            if (card.dead) card.cut = -1;
            card.dead = false;
            card.stall = 0;
            boot = std::make_unique<Boot<Bytes, Ring>>(card, settings);
            boot->next = 1000;
            told(word.c_str(),
                 word == "begin" ? boot->writer.begin(a, uint8_t(b)) : boot->writer.resume(a, uint8_t(b)));
        } else if (word == "time") {
            boot->next = a;
            card.now = a;
        } else if (word == "run") {
            boot->run(uint32_t(a), uint32_t(b));
        } else if (word == "stall") {
            card.stall = a;
        } else if (word == "fail") {
            card.fail = int(a);
        } else if (word == "reject") {
            card.reject = int(a);
        } else if (word == "cut") {
            card.cut = long(a);
        } else if (word == "note") {
            const fw::CardState s = boot->writer.state();
            told("note", boot->writer.note(fw::card_state_id, s));
            std::printf("state %u %u %u %u %u\n", s.time, s.stalls, s.worst_stall_us, s.lost_records,
                        s.buffer_peak);
        } else {
            std::fprintf(stderr, "unknown word %s\n", word.c_str());
            return 2;
        }
    }
    end();
    return 0;
}

}  // namespace

int main(int count, char** words) {
    if (count != 6) return 2;
    std::ifstream text_file(words[4], std::ios::binary);
    std::stringstream text;
    text << text_file.rdbuf();
    const std::string layout = text.str();
    Card card;
    card.bytes = size_t(std::atol(words[2]));
    card.file = std::fopen(words[1], "r+b");
    if (card.file == nullptr) return 3;
    fw::CardSettings settings;
    settings.blocks = uint32_t(std::atol(words[3]));
    settings.layout_text = layout.c_str();
    settings.layout_bytes = layout.size();
    settings.layout_hash = std::strtoull(words[5], nullptr, 10);
    settings.layout_every = 32;
    int done = 2;
    if (card.bytes == 512) done = work<512, 2048>(card, settings);
    if (card.bytes == 1024) done = work<1024, 4096>(card, settings);
    if (card.bytes == 4096) done = work<4096, 16384>(card, settings);
    std::fclose(card.file);
    return done;
}
