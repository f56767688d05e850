    wrong = ${symbol}_wrong_${function}();
    if (wrong != 0) {
        return ${before} + wrong;
    }
