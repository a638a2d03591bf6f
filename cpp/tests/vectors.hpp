// Reads a file of vectors: a line is a name followed by numbers; '#' begins a comment.
#pragma once

#include <fstream>
#include <map>
#include <sstream>
#include <stdexcept>
#include <string>
#include <vector>

class Vectors {
  public:
    explicit Vectors(const std::string& name) {
        std::ifstream file(std::string(FIFTHWHEEL_VECTORS) + "/" + name);
        if (!file) throw std::runtime_error("no vectors: " + name);
        std::string line;
        while (std::getline(file, line)) {
            if (line.empty() || line[0] == '#') continue;
            std::istringstream words(line);
            std::string key;
            words >> key;
            auto& row = values_[key];  // there even when no number follows
            double value = 0;
            while (words >> value) row.push_back(value);
        }
    }
    const std::vector<double>& at(const std::string& key) const { return values_.at(key); }

  private:
    std::map<std::string, std::vector<double>> values_;
};
