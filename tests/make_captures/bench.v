// The bench: gives the transmitter the camera's messages at their times and dumps the line to a VCD file.
//
// Copyright (c) 2026 The linkbudget developers. MIT License, see LICENSE at the root of the repository.
//
// +traffic=FILE  one message a line, in decimal: the tick (of 100 ns) at which it is handed over, the number of
//                its bytes, the bytes
// +vcd=FILE      the dump
//
// A message that is due while the one before it is still on the line follows back to back.

`timescale 100ns / 100ns

module bench #(
    parameter integer DIVISOR = 417  // of the camera's 48 MHz: 115107.9 baud
);
    localparam integer IDLE_AFTER = 100_000;  // 10 ms of idle line behind the last message

    reg send = 1'b0;
    reg [7:0] data = 8'd0;
    wire tx;
    wire busy;

    uart_tx #(.DIVISOR(DIVISOR)) camera (.send(send), .data(data), .tx(tx), .busy(busy));

    reg [8 * 256 - 1 : 0] traffic_name;
    reg [8 * 256 - 1 : 0] vcd_name;
    reg [63:0] due;
    integer traffic, length, index, value, found;

    initial begin
        if (!$value$plusargs("traffic=%s", traffic_name) || !$value$plusargs("vcd=%s", vcd_name)) begin
            $display("bench: +traffic=FILE and +vcd=FILE are needed");
            $finish_and_return(2);
        end
        traffic = $fopen(traffic_name, "r");
        if (traffic == 0) begin
            $display("bench: cannot read %0s", traffic_name);
            $finish_and_return(2);
        end
        $dumpfile(vcd_name);
        $dumpvars(1, camera.tx);
        found = $fscanf(traffic, "%d %d", due, length);
        while (found == 2) begin
            if (due > $time) #(due - $time);
            for (index = 0; index < length; index = index + 1) begin
                if ($fscanf(traffic, "%d", value) != 1) begin
                    $display("bench: the message due at tick %0d is short", due);
                    $finish_and_return(2);
                end
                data = value[7:0];
                send = 1'b1;
                @(negedge busy) send = 1'b0;
            end
            found = $fscanf(traffic, "%d %d", due, length);
        end
        #(IDLE_AFTER) $finish;
    end
endmodule
